# SPDX-License-Identifier: GPL-3.0-or-later
"""How the drum decays, learned from strokes in bleed."""

import numpy as np
import pytest

from dsp.bleed.decay import AHEAD, CYMBALS_HZ, hold_thumps, learn_shape, lower_hull
from dsp.bleed.drum import Attack, Strokes, measure_attacks
from dsp.bleed.powers import CENTRES_HZ, FRAME_S


def hull_twin(y):
    """Largest convex function under y: at each place the lowest of all chords, then no rising."""
    n = len(y)
    lowest = y.astype(float).copy()
    for k in range(n):
        for i in range(k + 1):
            for j in range(k, n):
                if i < j:
                    lowest[k] = min(lowest[k], y[i] + (y[j] - y[i]) * (k - i) / (j - i))
    return np.minimum.accumulate(lowest)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("slope", [-3.0, 0.0, 2.0])
def test_lower_hull_equals_its_twin(slope, seed):
    y = slope * np.arange(25) + np.random.default_rng(seed).normal(0, 8, 25)
    np.testing.assert_allclose(lower_hull(y), hull_twin(y), atol=1e-9)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_lower_hull_of_a_few_points(count):
    y = np.array([0.0, -1.0, -5.0])[:count]
    np.testing.assert_allclose(lower_hull(y), hull_twin(y), atol=1e-12)


def test_lower_hull_leaves_a_plain_decay_and_drops_what_bleed_adds():
    decay = -60.0 + 60.0 * np.exp(-np.arange(200) / 60.0)
    np.testing.assert_allclose(lower_hull(decay), decay, atol=1e-9)
    louder = decay.copy()
    louder[80:110] += 12.0
    hull = lower_hull(louder)
    assert (hull <= decay + 1.0).all()
    assert (np.diff(hull) <= 1e-12).all()
    assert (np.diff(hull, 2) >= -1e-9).all()


def decays(cymbal_db, count=16, apart=300):
    """Decay learned from strokes of 0 dB that fall by 160 dB a second, each with a cymbal.

    The cymbal is as loud as `cymbal_db` in its bands, falls by 25 dB a second, and is struck half
    way between the strokes too.
    """
    first = apart * np.arange(1, count + 1)
    strokes = Strokes(first, np.append(first[1:], apart * (count + 1)), np.zeros(count))
    since = np.arange(apart * (count + 1)) % apart
    own = np.where(np.arange(len(since)) >= apart, -160 * FRAME_S * since, -200.0)
    cymbal = cymbal_db - 25 * FRAME_S * (since % (apart // 2))
    power = 10 ** (own / 10) + 1e-12
    low = np.repeat(10 * np.log10(power)[:, None], len(CENTRES_HZ), axis=1)
    high = 10 * np.log10(power + 10 ** (cymbal / 10))
    levels = np.where(CENTRES_HZ > CYMBALS_HZ, high[:, None], low).astype(np.float32)
    bleed = np.where(CENTRES_HZ > CYMBALS_HZ, cymbal[:, None], -120.0).astype(np.float32)
    attack = measure_attacks(levels, bleed, strokes, 200.0)
    at = AHEAD + np.arange(10, 140)
    return learn_shape(levels, bleed, attack, strokes)[at], 160 * FRAME_S * np.arange(10, 140)


def test_a_decay_is_found_as_it_is():
    shape, fallen = decays(-120)
    assert np.abs(np.diff(shape, axis=0) + 160 * FRAME_S).max() < 0.1
    assert np.abs(shape + fallen[:, None] - shape[0] - fallen[0]).max() < 1.5


def test_a_cymbal_on_every_stroke_does_not_pass_for_a_slow_decay():
    shape, fallen = decays(-15)
    high = CENTRES_HZ > CYMBALS_HZ
    above = shape + fallen[:, None] - shape[0] - fallen[0]
    assert np.abs(above[:, ~high]).max() < 1.5
    assert above[:, high].max() < 6  # it stays 15 dB above the drum's at the end


def test_a_band_that_kicks_hide_does_not_fall_away_from_the_lowest_mode():
    shape = np.linspace(0, -80, 200)[:, None] * np.ones(3)
    shape[:, 0] = np.linspace(0, -300, 200)
    level = np.array([[-30.0, -20.0, -18.0]] * 5)
    told = np.zeros((5, 3))
    attack = Attack(level, np.ones(3), np.array([True, False, False]), told, told)
    before = shape.copy()
    hold_thumps(shape, attack)
    octaves = np.log2(CENTRES_HZ[1] / CENTRES_HZ[0])
    skirt = before[AHEAD:, 1] + 10 - 14 * octaves - 3  # 14 dB an octave; common practice, no source
    np.testing.assert_allclose(shape[AHEAD:, 0], np.maximum(before[AHEAD:, 0], skirt))
    np.testing.assert_array_equal(shape[:, 1:], before[:, 1:])
    np.testing.assert_array_equal(shape[:AHEAD], before[:AHEAD])
