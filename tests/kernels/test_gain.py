# SPDX-License-Identifier: GPL-3.0-or-later
"""Gain kernels against slow twins."""

import numpy as np
import pytest

from dsp.kernels.gain import ANCHOR, add_band_differences, gains_between, mix_splits

AT = np.array([3, 4, 900, 1024, 1500, 4000])
DB = np.array([[0.0, -3.0], [6.0, -3.0], [-18.0, 0.0], [0.0, 0.0], [-60.0, 12.0], [3.0, -1.0]])


def gains(at, db, first, count):
    out = np.empty((count, db.shape[1]))
    gains_between(at, db, first, out)
    return out


def test_gains_between_equals_its_twin():
    out = gains(AT, DB, 0, 5000)
    position = np.arange(5000)
    for band in range(2):
        twin = 10 ** (np.interp(position, AT, DB[:, band]) / 20)
        np.testing.assert_allclose(out[:, band], twin, rtol=1e-11)


@pytest.mark.parametrize("block", [ANCHOR, 3 * ANCHOR])
def test_gains_between_does_not_depend_on_blocks(block):
    whole = gains(AT, DB, 0, 5 * ANCHOR)
    parts = [
        gains(AT, DB, first, min(block, 5 * ANCHOR - first))
        for first in range(0, 5 * ANCHOR, block)
    ]
    assert np.concatenate(parts).tobytes() == whole.tobytes()


def test_zero_decibels_is_exactly_one():
    out = gains(np.array([0, 7, 2000]), np.zeros((3, 1)), 0, 3000)
    assert (out == 1.0).all()


def test_points_outside_the_block_do_not_matter():
    at, db = np.array([-50, 50]), np.array([[-10.0], [0.0]])
    out = gains(at, db, 0, 100)
    np.testing.assert_allclose(out[0], 10 ** (-5 / 20), rtol=1e-12)
    assert (out[50:] == 1.0).all()
    after = gains(at, db, ANCHOR, 5)
    assert (after == 1.0).all()
    before = gains(np.array([5000]), np.array([[-6.0]]), 0, 5)
    np.testing.assert_allclose(before, 10 ** (-6 / 20), rtol=1e-12)


def one_gain(db, count):
    """Points of a curve that holds the same gains all the time, and what they are as factors."""
    at = np.array([0])
    return at, np.array([db]), gains(at, np.array([db]), 0, count)


@pytest.mark.parametrize("position", [0, 2 * ANCHOR])
def test_add_band_differences_equals_its_twin(position):
    rng = np.random.default_rng(1)
    x, bands = rng.standard_normal(2010), rng.standard_normal((2, 2010))
    g, out = gains(AT, DB, position, 1999), np.empty(1999)
    add_band_differences(x, bands, 7, AT, DB, position, out)
    part, inside = x[7:2006], bands[:, 7:2006]
    twin = [part[i] + sum((g[i, k] - 1) * inside[k, i] for k in range(2)) for i in range(1999)]
    np.testing.assert_allclose(out, twin, rtol=1e-12, atol=1e-13)


def test_add_band_differences_keeps_every_bit_where_gains_are_zero_decibels():
    rng = np.random.default_rng(1)
    x, bands, out = rng.standard_normal(110), rng.standard_normal((3, 110)), np.empty(99)
    at, db, _ = one_gain([0.0, 0.0, 0.0], 99)
    add_band_differences(x, bands, 7, at, db, 0, out)
    assert out.tobytes() == x[7:106].tobytes()


@pytest.mark.parametrize("position", [0, 2 * ANCHOR])
def test_mix_splits_equals_its_twin(position):
    rng = np.random.default_rng(2)
    x, below = rng.standard_normal(2010), rng.standard_normal((1, 2010))
    g, out = gains(AT, DB, position, 1999), np.empty(1999)
    mix_splits(x, below, 7, AT, DB, position, out)
    bands = np.stack([below[0], x - below[0]])[:, 7:2006]
    twin = sum(g[:, k] * bands[k] for k in range(2))
    np.testing.assert_allclose(out, twin, rtol=1e-11, atol=1e-12)


def test_mix_splits_with_equal_gains_is_exactly_one_gain():
    rng = np.random.default_rng(2)
    x, below, out = rng.standard_normal(110), rng.standard_normal((2, 110)), np.empty(99)
    at, db, factors = one_gain([-6.0, -6.0, -6.0], 99)
    mix_splits(x, below, 7, at, db, 0, out)
    assert out.tobytes() == (factors[:, 0] * x[7:106]).tobytes()


def test_mix_splits_without_crossovers_is_a_gain():
    x, out = np.random.default_rng(3).standard_normal(1999), np.empty(1999)
    mix_splits(x, np.empty((0, 1999)), 0, AT, DB[:, :1], ANCHOR, out)
    assert out.tobytes() == (gains(AT, DB[:, :1], ANCHOR, 1999)[:, 0] * x).tobytes()
