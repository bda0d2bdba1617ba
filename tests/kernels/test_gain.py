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


def test_add_band_differences_equals_its_twin():
    rng = np.random.default_rng(1)
    x, bands, g = rng.standard_normal(110), rng.standard_normal((3, 110)), rng.random((99, 3))
    out = np.empty(99)
    add_band_differences(x, bands, 7, g, out)
    part, inside = x[7:106], bands[:, 7:106]
    twin = [part[i] + sum((g[i, k] - 1) * inside[k, i] for k in range(3)) for i in range(99)]
    np.testing.assert_allclose(out, twin, rtol=1e-13)
    add_band_differences(x, bands, 7, np.ones((99, 3)), out)
    assert out.tobytes() == part.tobytes()


def test_mix_splits_equals_its_twin():
    rng = np.random.default_rng(2)
    x, below, g = rng.standard_normal(110), rng.standard_normal((2, 110)), rng.random((99, 3))
    out = np.empty(99)
    mix_splits(x, below, 7, g, out)
    bands = np.stack([below[0], below[1] - below[0], x - below[1]])[:, 7:106]
    twin = sum(g[:, k] * bands[k] for k in range(3))
    np.testing.assert_allclose(out, twin, rtol=1e-12, atol=1e-13)
    mix_splits(x, below, 7, np.full((99, 3), 0.5), out)
    assert out.tobytes() == (0.5 * x[7:106]).tobytes()
