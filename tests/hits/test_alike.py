# SPDX-License-Identifier: GPL-3.0-or-later
"""Onsets from what the strokes of one drum share."""

import numpy as np
import pytest
from scipy.linalg import solve_toeplitz
from scipy.signal import lfilter

from dsp.hits import alike
from dsp.hits.alike import align_onsets, compare_onsets
from dsp.hits.prediction import ORDER, prediction_errors

RATE = 48_000
STARTS = 9000 * np.arange(1, 21)
LEVELS = np.where(np.arange(20) % 4 == 1, -20.0, -2.0)


def beginning(rng):
    """A stroke that swells for half a millisecond: three modes and noise, no two alike."""
    t = np.arange(4000) / RATE
    modes = sum(
        rng.uniform(0.7, 1.3) * np.sin(2 * np.pi * hz * t) * np.exp(-9 * t)
        for hz in (410.0, 930.0, 1730.0)
    )
    return (modes + 0.2 * rng.standard_normal(4000)) * np.minimum(t / 0.0005, 1.0)


def track(noise_db=-55.0, seed=1):
    rng = np.random.default_rng(seed)
    x = 10 ** (noise_db / 20) * rng.standard_normal(STARTS[-1] + 9000)
    for at, level in zip(STARTS, LEVELS, strict=True):
        x[at : at + 4000] += 10 ** (level / 20) * beginning(rng)
    return x


def aligned_onsets(x, given, levels):
    """Onsets after comparing all strokes, all of them sure."""
    likeness = compare_onsets(x, given, levels, np.ones(len(given), np.bool_), RATE)
    return given if likeness is None else align_onsets(x, given, likeness, RATE)


def test_a_stroke_taken_for_later_or_earlier_is_moved_to_where_it_is_alike():
    given = STARTS.copy()
    given[[2, 5, 9, 13]] += [90, -120, 150, 60]  # two loud ones and two soft ones
    off = np.abs(aligned_onsets(track(), given, LEVELS) - STARTS)
    assert off.max() <= 4


@pytest.mark.parametrize("late", [-20, 12, 25, 33])
def test_what_all_strokes_miss_of_their_beginning_is_found(late):
    aligned = aligned_onsets(track(), STARTS + late, LEVELS)
    assert np.median(np.abs(aligned - STARTS)) <= 5


@pytest.mark.parametrize("ahead", [14, 28, 40])
def test_a_hat_a_moment_before_some_strokes_is_not_their_beginning(ahead):
    x, rng = track(noise_db=-70.0), np.random.default_rng(5)
    for at in STARTS[[0, 3, 7, 10, 14]]:
        hat = 0.03 * rng.standard_normal(2000) * np.exp(-np.arange(2000) / 500)
        x[at - ahead : at - ahead + 2000] += hat
    aligned = aligned_onsets(x, STARTS + 12, LEVELS)
    assert np.median(np.abs(aligned - STARTS)) <= 3


def test_small_differences_and_what_is_like_no_other_stroke_stay():
    x = track()
    x[STARTS[7] - 300 : STARTS[7] + 4000] = 0.1 * np.random.default_rng(9).standard_normal(4300)
    given = STARTS + np.where(np.arange(20) == 7, 100, 0)
    aligned = aligned_onsets(x, given, LEVELS)
    begins = int(np.median(aligned - given))
    assert aligned[7] == given[7] + begins
    assert abs(begins) <= 5


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_strokes_stay_where_they_are(count):
    given = STARTS[:count] + 60
    np.testing.assert_array_equal(aligned_onsets(track(), given, LEVELS[:count]), given)


def test_onsets_rise_even_where_two_strokes_are_one():
    given = np.sort(np.append(STARTS, STARTS[3] + 100))
    aligned = aligned_onsets(track(), given, np.full(21, -2.0))
    assert (np.diff(aligned) > 0).all()
    assert aligned.min() >= 0


def test_silence_is_left_alone():
    np.testing.assert_array_equal(aligned_onsets(np.zeros(300_000), STARTS, LEVELS), STARTS)


def test_gain_and_what_surrounds_a_take_change_nothing():
    here = aligned_onsets(track(), STARTS + 15, LEVELS)
    np.testing.assert_array_equal(aligned_onsets(0.01 * track(), STARTS + 15, LEVELS), here)
    later = np.concatenate([np.zeros(777), track(), np.zeros(10)])
    np.testing.assert_array_equal(aligned_onsets(later, STARTS + 15 + 777, LEVELS), here + 777)


def test_prediction_equals_that_of_a_general_library():
    x = track()[8000:9100]
    centred = x - x[:900].mean()
    lags = np.correlate(centred[:900], centred[:900], "full")[899 : 899 + ORDER + 1]
    lags[0] *= 1.001
    weights = solve_toeplitz(lags[:-1], lags[1:])
    twin = lfilter(np.concatenate([[1.0], -weights]), 1.0, centred)
    np.testing.assert_allclose(prediction_errors(x, 900), twin, rtol=1e-6, atol=1e-12)


def test_prediction_leaves_what_drives_a_resonance():
    driving = np.random.default_rng(2).standard_normal(20_000)
    heard = lfilter([1.0], [1.0, -1.8, 0.95], driving)
    left = prediction_errors(heard, 10_000)[10_000:]
    assert np.std(left) == pytest.approx(1.0, rel=0.05)
    assert np.corrcoef(left, driving[10_000:])[0, 1] > 0.98


def test_silence_predicts_nothing():
    part = np.zeros(300)
    part[200:] = 0.5
    np.testing.assert_array_equal(prediction_errors(part, 100), part)


@pytest.mark.parametrize("count", [1, 7, 20])
def test_likeness_is_the_same_bytes_whatever_is_compared_at_a_time(count, monkeypatch):
    x, sure = track(), np.ones(len(STARTS), np.bool_)
    known = compare_onsets(x, STARTS, LEVELS, sure, RATE)
    monkeypatch.setattr(alike, "CHUNK", count)
    again = compare_onsets(x, STARTS, LEVELS, sure, RATE)
    assert known.off.tobytes() == again.off.tobytes()
    assert known.like.tobytes() == again.like.tobytes()
