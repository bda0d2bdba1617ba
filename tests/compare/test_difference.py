# SPDX-License-Identifier: GPL-3.0-or-later
"""Differences: exact, silent where nothing differs, and their level over time."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.audio import SampleFormat
from dsp.compare.difference import difference_format, subtract
from tests.compare.sounds import RATE


def codes(bits: int, seed: int, frames: int = 200_000) -> np.ndarray:
    """Any code of a converter, the extremes included."""
    largest = 2 ** (bits - 1)
    drawn = np.random.default_rng(seed).integers(-largest, largest, (frames, 1))
    drawn[:2, 0] = (-largest, largest - 1) if seed == 1 else (largest - 1, -largest)
    return drawn / largest


@pytest.mark.parametrize("bits", [16, 24])
def test_a_32_bit_float_file_holds_every_difference_of_a_converters_codes(bits):
    first, second = codes(bits, 1), codes(bits, 2)
    treated = second.copy()
    found = subtract(first, second, RATE)
    stored = second.astype(np.float32).astype(np.float64)
    assert np.array_equal(first + stored, treated)
    assert found.inexact == 0


def test_what_a_float_cannot_give_back_is_counted():
    first = np.full((1000, 1), 0.7)
    second = np.zeros((1000, 1))
    second[:10] = 1e-20  # lies below the last bit of 0.7
    found = subtract(first, second, RATE)
    assert found.inexact == 10
    assert 0 < found.astray <= 1e-20


def test_float_prints_are_given_back_where_a_gain_is_no_wonder():
    rng = np.random.default_rng(7)
    first = rng.uniform(-1, 1, (100_000, 1)).astype(np.float32).astype(float)
    second = (first * 10 ** (rng.uniform(-40, 6, first.shape) / 20)).astype(np.float32)
    treated = second.astype(float)
    left = treated.copy()
    assert subtract(first, left, RATE).inexact == 0
    assert np.array_equal(first + left, treated)


def test_of_a_print_with_itself_is_silence():
    first = codes(24, 1)
    second = first.copy()
    found = subtract(first, second, RATE)
    assert not second.any()
    assert (found.rms_dbfs, found.peak_dbfs, found.relative_db) == (None, None, None)
    assert set(found.coarse_dbfs()) == {None}
    assert np.isneginf(found.arrays()["rms_dbfs"]).all()


def test_level_over_time_is_that_of_the_difference():
    frames = 3 * RATE + 300
    first = np.zeros((frames, 2))
    second = np.zeros((frames, 2))
    second[RATE : 2 * RATE] = 0.5
    second[2 * RATE :, 0] = 0.1
    found = subtract(first, second, RATE)
    arrays = found.arrays()
    assert arrays["at"][1] == 480
    assert len(arrays["at"]) == 301
    middle = arrays["rms_dbfs"][100:200]
    assert middle == pytest.approx(np.full(100, 20 * math.log10(0.5)))
    assert arrays["rms_dbfs"][-1] == pytest.approx(20 * math.log10(0.1) - 3.01, abs=0.01)
    assert arrays["peak_dbfs"][-1] == pytest.approx(-20.0)
    assert found.coarse_dbfs() == [None, -6.02, -23.01, -23.01]
    assert found.relative_db is None  # the first is silent


def test_relative_level():
    first = np.full((RATE, 1), 0.5)
    assert subtract(first, np.full((RATE, 1), 0.45), RATE).relative_db == pytest.approx(-20.0)


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ("pcm24", "pcm16", "float32"),
        ("pcm24", "pcm24", "float32"),
        ("pcm24", "pcm32", "float64"),
        ("float32", "float32", "float64"),
    ],
)
def test_format(first, second, expected):
    formats = (SampleFormat("wav", each) for each in (first, second))
    assert difference_format(*formats).subtype == expected
