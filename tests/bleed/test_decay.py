# SPDX-License-Identifier: GPL-3.0-or-later
"""How the drum decays, learned from strokes in bleed."""

import numpy as np
import pytest

from dsp.bleed.decay import AHEAD, CYMBALS_HZ, hold_thumps, learn_shape, lower_hull
from dsp.bleed.drum import Attack, Strokes, measure_attacks, predict
from dsp.bleed.powers import CENTRES_HZ, FRAME_S
from dsp.bleed.tails import Prediction


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
    nowhere = np.zeros(3, np.bool_)
    attack = Attack(level, np.ones(3), np.array([True, False, False]), nowhere, told, told)
    before = shape.copy()
    hold_thumps(shape, attack)
    octaves = np.log2(CENTRES_HZ[1] / CENTRES_HZ[0])
    skirt = before[AHEAD:, 1] + 10 - 14 * octaves - 3  # 14 dB an octave; common practice, no source
    np.testing.assert_allclose(shape[AHEAD:, 0], np.maximum(before[AHEAD:, 0], skirt))
    np.testing.assert_array_equal(shape[:, 1:], before[:, 1:])
    np.testing.assert_array_equal(shape[:AHEAD], before[:AHEAD])


def learned(strokes, own, rounds=2):
    """Shape learned from `own` (frames,) dB, alike in all bands and without bleed, in rounds."""
    levels = np.repeat(own[:, None], len(CENTRES_HZ), axis=1).astype(np.float32)
    bleed = np.full_like(levels, -120)
    attack = measure_attacks(levels, bleed, strokes, 200.0)
    shape, earlier = None, None
    for _ in range(rounds):
        shape = learn_shape(levels, bleed, attack, strokes, earlier)
        earlier = Prediction(predict(strokes, attack, shape, len(levels)), shape)
    return shape


def played(first, strength_db, falling, frames):
    """Level (frames,) dB of strokes that all fall as `falling` (frames,) dB, added in power."""
    power = np.full(frames, 1e-12)
    for start, db in zip(first, strength_db, strict=True):
        part = falling[: frames - start]
        power[start : start + len(part)] += 10 ** (0.1 * (db + part))
    return 10 * np.log10(power)


def test_a_tail_is_learned_through_ghost_notes():
    # Falls by 120 dB a second for 0.1 s, then by 40: only a backbeat's tail under ghosts tells so.
    at = np.arange(2000) * FRAME_S
    falling = np.where(at < 0.1, -120 * at, -12 - 40 * (at - 0.1))
    first = 90 * np.arange(1, 17)
    strength = np.where(np.arange(16) % 4 == 0, 0.0, -30.0)
    strokes = Strokes(first, np.append(first[1:], 90 * 17), strength)
    shape = learned(strokes, played(first, strength, falling, 90 * 17))
    modes = (CENTRES_HZ > 200) & (CENTRES_HZ < 1000)  # where the drum has any
    late = AHEAD + np.arange(100, 300)
    found = shape[late][:, modes] - shape[AHEAD + 8, modes]
    true = falling[100:300] - falling[8]
    assert np.abs(found - true[:, None]).max() < 1.5
    alone = learned(strokes, played(first, strength, falling, 90 * 17), rounds=1)
    assert (alone[late][-1, modes] - alone[AHEAD + 8, modes] - true[-1]).max() < -10


@pytest.mark.parametrize(("rise_db_a_second", "swells"), [(150, True), (2000, False)])
def test_a_band_may_swell_but_not_at_once(rise_db_a_second, swells):
    # 20 dB down at 20 ms, then up by 15 dB, then down: wires that answer late, or a hat.
    at = np.arange(500) * FRAME_S
    down = np.maximum(-1000 * at, -20)
    up = np.minimum(np.maximum(at - 0.03, 0) * rise_db_a_second, 15)
    top = 0.03 + 15 / rise_db_a_second
    falling = down + up - 100 * np.maximum(at - top, 0)
    first = 400 * np.arange(1, 13)
    strokes = Strokes(first, np.append(first[1:], 400 * 13), np.zeros(12))
    shape = learned(strokes, played(first, np.zeros(12), falling, 400 * 13), rounds=1)
    frame = AHEAD + round(top / FRAME_S)
    raised = (shape[frame] - shape[AHEAD + 20 : frame].min(axis=0))[CENTRES_HZ > CYMBALS_HZ]
    assert (raised.min() > 11) if swells else (raised.max() < 9)


def test_a_slow_fall_that_is_known_for_long_enough_goes_on():
    # Strokes 50 ms apart that fall by 2 dB until the next.
    at = np.arange(800) * FRAME_S
    first = 38 * np.arange(1, 21)
    strokes = Strokes(first, np.append(first[1:], 38 * 21), np.zeros(20))
    own = np.full(38 * 21, -90.0)
    for start in first:
        own[start : start + 38] = -40 * at[:38]
    shape = learned(strokes, own, rounds=1)
    assert (shape[AHEAD + 28] - shape[AHEAD + 5]).min() > -2.5
