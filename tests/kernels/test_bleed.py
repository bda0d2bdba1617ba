# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops of bleed suppression against slow twins."""

import itertools

import numpy as np
import pytest

from dsp.kernels.bleed import (
    keep_needed,
    levels_of,
    look_up,
    predict_drum,
    see_bleed,
    split_powers,
    track_bleed,
)


def random(*shape, seed=1):
    return np.random.default_rng(seed).standard_normal(shape)


@pytest.mark.parametrize("edges", [[0, 8, 16, 24, 100], [13, 18, 24, 29], [40, 41]])
def test_split_powers_equal_their_twin(edges):
    x, below = random(100), random(3, 100, seed=2)
    out = np.full((len(edges) - 1, 4), np.nan)
    split_powers(x, below, np.array(edges), out)
    bands = np.diff(np.vstack([np.zeros(100), below, x]), axis=0).T
    twin = [(bands[p:q] ** 2).mean(axis=0) for p, q in itertools.pairwise(edges)]
    np.testing.assert_allclose(out, twin, rtol=1e-12)


@pytest.mark.parametrize("count", [1, 5, 9])
def test_levels_equal_their_twin(count):
    power, window = random(40, 2) ** 2, np.hanning(count + 2)[1:-1]
    window = window / window.sum()
    out = np.empty((40, 2))
    levels_of(power, window, 1e-14, out)
    for k in range(2):
        twin = 10 * np.log10(np.convolve(power[:, k], window, "same") + 1e-14)
        np.testing.assert_allclose(out[:, k], twin, rtol=1e-9)


def test_levels_of_silence_are_the_floor():
    out = np.empty((6, 1))
    levels_of(np.zeros((6, 1)), np.ones(1), 1e-14, out)
    np.testing.assert_allclose(out, -140, rtol=1e-12)


def test_predicted_strokes_add_in_power_and_are_cut_by_both_ends():
    frames, ahead, length = 60, 3, 20
    first = np.array([0, 2, 30, 55, 59])
    level, shape = 10 ** random(5, 2), 10 ** random(length, 2, seed=2)
    out = np.empty((frames, 2))
    predict_drum(first, level, shape, ahead, 1e-14, out)
    twin = np.full((frames, 2), 1e-14)
    for n, at in enumerate(first):
        for f in range(frames):
            if 0 <= f - at + ahead < length:
                twin[f] += level[n] * shape[f - at + ahead]
    np.testing.assert_allclose(out, 10 * np.log10(twin), rtol=1e-9)


def seen_twin(level, calm, over, hidden, early, back, skip, hold):
    """One band that decays, by the words of the kernel's docstring."""
    frames = np.arange(len(level))
    seen = np.zeros(len(level), np.bool_)
    for start in frames[over & ~hidden]:
        near = hidden[max(start - early, 0) : start].any()
        before = calm[max(start - back, 0) : max(start - skip, 0)]
        if not near and len(before) and calm[start] < before.max():
            continue
        quiet = 0
        for f in frames[start:]:  # it goes on until `hold` frames in a row have no excess
            quiet = 0 if over[f] else quiet + 1
            if quiet > hold:
                break
            seen[f] |= over[f] and not hidden[f]
    return seen


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(("early", "hold"), [(0, 3), (5, 0), (8, 6)])
def test_seen_bleed_equals_its_twin(early, hold, seed):
    rng = np.random.default_rng(seed)
    level = rng.normal(-50, 6, (120, 3)) - 0.2 * np.arange(120)[:, None]
    calm = level - 1 + rng.normal(0, 1, (120, 3))
    drum = np.repeat(rng.normal(-60, 12, (20, 3)), 6, axis=0)
    hidden = np.repeat(rng.random(30) < 0.2, 4)
    decays = np.array([True, False, True])
    out = np.empty((120, 3), np.bool_)
    see_bleed(level, calm, drum, hidden, 4.0, decays, early, 20, 3, hold, out)
    over = level > drum + 4
    np.testing.assert_array_equal(out[:, 1], over[:, 1] & ~hidden)
    for k in (0, 2):
        twin = seen_twin(level[:, k], calm[:, k], over[:, k], hidden, early, 20, 3, hold)
        np.testing.assert_array_equal(out[:, k], twin)
    assert out.any()


def test_a_slower_decay_is_the_drum_and_what_begins_in_it_is_bleed():
    frames = np.arange(300)
    level = np.full((300, 1), -20.0) - 0.1 * frames[:, None]
    drum = np.full((300, 1), -20.0) - 0.3 * frames[:, None]
    hidden = frames < 10
    asked = (10.0, np.ones(1, np.bool_), 30, 75, 8, 22)
    out = np.empty((300, 1), np.bool_)
    see_bleed(level, level.copy(), drum, hidden, *asked, out)
    assert not out.any()
    louder = np.where(frames[:, None] >= 150, level + 15, level)  # a tom is struck
    see_bleed(louder, louder.copy(), drum, hidden, *asked, out)
    assert not out[:150].any()
    assert out[150:].all()


def bleed_twin(level, calm, seen, half, fall):
    """One band, by the words of the kernel's docstring; frames seen, and what lies between."""
    frames = np.arange(len(level))
    if not seen.any():
        return np.full(len(level), calm.min())
    near = np.abs(frames[:, None] - frames[None, :]) <= half
    mean = np.array([level[near[f] & seen].mean() if seen[f] else np.nan for f in frames])
    out = np.interp(frames, frames[seen], mean[seen])
    for f in frames[~seen]:
        earlier, later = frames[seen & (frames < f)], frames[seen & (frames > f)]
        out[f] = (
            mean[later[0]]
            if len(earlier) == 0
            else min(out[f], mean[earlier[-1]] - fall * (f - earlier[-1]))
        )
        if len(earlier):
            since = max(calm[earlier[-1]], mean[earlier[-1]])
            out[f] = min(out[f], since, calm[earlier[-1] + 1 : f + 1].min())
        else:
            out[f] = min(out[f], calm[: f + 1].min())
    out[seen] = level[seen]
    return out


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("half", [0, 2])
def test_tracked_bleed_equals_its_twin(half, seed):
    rng = np.random.default_rng(seed)
    level = rng.normal(-50, 6, (90, 3))
    calm = level - 1 + rng.normal(0, 1, (90, 3))
    seen = np.repeat(rng.random((30, 3)) < 0.5, 3, axis=0) & (rng.random((90, 3)) < 0.8)
    seen[:, 2] = False
    out, fall = np.empty((90, 3)), np.array([0.0, 0.3, 0.3])
    track_bleed(level, calm, seen, half, fall, out)
    for k in range(3):
        twin = bleed_twin(level[:, k], calm[:, k], seen[:, k], half, fall[k])
        np.testing.assert_allclose(out[:, k], twin, rtol=1e-12)


def test_tracked_bleed_is_never_louder_than_the_track_was_just_now():
    level = np.full((50, 1), -40.0)
    level[20:] = -70.0
    seen = np.ones((50, 1), np.bool_)
    seen[10:40] = False  # the drum covers the moment at which the bleed stops
    out = np.empty((50, 1))
    track_bleed(level, level.copy(), seen, 2, np.zeros(1), out)
    assert (out[:10] == -40).all()
    assert (out <= level).all()
    assert (out[20:] == -70).all()


def test_look_up_equals_its_twin_and_stays_inside_the_table():
    rows, columns = 9, 7
    table = random(rows, columns)
    level, drum, bleed = (10 * random(30, 4, seed=s) for s in (2, 3, 4))
    out = np.empty((30, 4))
    look_up(table, -6.0, 1.5, -4.0, 2.0, level, drum, bleed, out)
    for f, k in np.ndindex(30, 4):
        i = np.clip((drum[f, k] - level[f, k] + 6.0) / 1.5, 0, rows - 1.001)
        j = np.clip((bleed[f, k] - level[f, k] + 4.0) / 2.0, 0, columns - 1.001)
        along = [np.interp(i, np.arange(rows), table[:, c]) for c in range(columns)]
        assert out[f, k] == pytest.approx(np.interp(j, np.arange(columns), along), rel=1e-9)


def test_look_up_gives_the_entries_of_the_table_at_its_points():
    table = random(4, 3)
    zero = np.zeros((1, 1))
    for i, j in np.ndindex(3, 2):
        out = np.empty((1, 1))
        drum, bleed = np.full((1, 1), -6.0 + 1.5 * i), np.full((1, 1), -4.0 + 2.0 * j)
        look_up(table, -6.0, 1.5, -4.0, 2.0, zero, drum, bleed, out)
        assert out[0, 0] == table[i, j]


def test_needed_gains_equal_their_twin():
    drum, bleed = 20 * random(50, 4, seed=2), 20 * random(50, 4, seed=3) - 15
    gains = random(50, 4)
    kept = gains.copy()
    keep_needed(drum, bleed, -24.0, -18.0, kept)
    ratio = 10 * np.log10((10 ** (bleed / 10)).sum(axis=1) / (10 ** (drum / 10)).sum(axis=1))
    need = np.interp(ratio, [-24, -18], [0, 1])
    assert ((need > 0) & (need < 1)).any()
    np.testing.assert_allclose(kept, gains * need[:, None], rtol=1e-9, atol=1e-12)
    assert (kept[ratio <= -24] == 0).all()
    np.testing.assert_array_equal(kept[ratio >= -18], gains[ratio >= -18])
