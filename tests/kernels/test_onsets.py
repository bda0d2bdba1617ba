# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops of the stroke finder against slow twins."""

import numpy as np
import pytest
from scipy.signal import lfilter

from dsp.hits.rises import band_sections
from dsp.kernels.onsets import (
    attack_starts,
    band_energies,
    change_points,
    local_peaks,
    stroke_evidence,
)

RATE = 48_000
BANDS = ((400.0, 900.0), (900.0, 2700.0), (2700.0, 8000.0))
B, A = band_sections(BANDS, RATE, 0.5)


def noise(frames=900, seed=5):
    return np.random.default_rng(seed).standard_normal(frames)


def stroke_in_noise(at=400, frames=900, gain=20.0):
    x = noise(frames)
    x[at:] += gain * noise(frames - at, seed=6) * np.exp(-np.arange(frames - at) / 200)
    return x


def banded(x, b, a):
    """Each band by a general library, two sections in series from rest, (n, bands)."""
    columns = []
    for k in range(b.shape[2]):
        once = lfilter(b[0, :, k], [1, *a[0, :, k]], x)
        columns.append(lfilter(b[1, :, k], [1, *a[1, :, k]], once))
    return np.stack(columns, axis=1)


# band energies


@pytest.mark.parametrize(("skip", "hop", "frames"), [(0, 24, 30), (100, 24, 25), (7, 5, 3)])
def test_band_energies_equal_their_twin(skip, hop, frames):
    x = noise()
    out = np.full((frames, len(BANDS)), np.nan)
    band_energies(x, B, A, skip, hop, out)
    squares = banded(x, B, A)[skip : skip + frames * hop] ** 2
    twin = squares.reshape(frames, hop, len(BANDS)).mean(axis=1)
    np.testing.assert_allclose(out, twin, rtol=1e-9, atol=1e-15)


def test_band_energies_of_silence_are_zero():
    out = np.ones((5, len(BANDS)))
    band_energies(np.zeros(120), B, A, 0, 24, out)
    assert not out.any()


# peaks


@pytest.mark.parametrize("reach", [1, 3, 20])
@pytest.mark.parametrize("floor", [-9.0, 0.5, 99.0])
def test_local_peaks_equal_their_twin(floor, reach):
    level = np.round(noise(120), 1)  # rounded, so that there are equals
    out = np.ones(120, np.bool_)
    local_peaks(level, floor, reach, out)
    for i in range(120):
        first = max(0, i - reach)
        around = level[first : i + reach + 1]
        twin = level[i] >= floor and first + int(np.argmax(around)) == i
        assert out[i] == twin


# change of variance


def change_twin(x, near, weights, spans):
    """Akaike's criterion of two variances (Maeda, 1985), every cut tried on its own."""
    run_in, ahead, behind, low, high, step = spans
    picked = []
    for m, position in enumerate(near):
        start, stop = max(position - ahead, 0), min(position + behind, len(x))
        begin = max(start - run_in, 0)
        power = banded(x[begin:stop], B, A)[start - begin :] ** 2
        n = len(power)
        floor = 1e-12 * power.mean(axis=0) + 1e-300
        best, cheapest = position, np.inf
        for i in range(max(position - low - start, 1), min(position + high - start, n), step):
            left, right = power[:i].mean(axis=0), power[i:].mean(axis=0)
            cost = weights[m] @ (i * np.log(left + floor) + (n - i) * np.log(right + floor))
            if cost < cheapest:
                best, cheapest = start + i, cost
        picked.append(best)
    return picked


@pytest.mark.parametrize(("run_in", "step"), [(0, 1), (60, 1), (60, 4)])
def test_change_points_equal_their_twin(run_in, step):
    x = stroke_in_noise()
    near = np.array([0, 2, 80, 395, 400, 430, 470, 860, 899])
    weights = np.random.default_rng(1).random((len(near), len(BANDS)))
    spans = (run_in, 150, 100, 90, 80, step)
    out = np.full(len(near), -1)
    scratch = np.empty((spans[1] + spans[2] + 6, len(BANDS)))
    change_points(x, near, B, A, weights, spans, scratch, out)
    assert out.tolist() == change_twin(x, near, weights, spans)
    assert abs(out[4] - 400) <= 4


def test_change_points_stay_where_they_are_in_silence():
    near = np.array([50])
    out = np.zeros(1, np.int64)
    scratch = np.empty((106, len(BANDS)))
    weights, spans = np.zeros((1, len(BANDS))), (0, 50, 50, 0, 1, 1)
    change_points(np.zeros(200), near, B, A, weights, spans, scratch, out)
    assert out.tolist() == [50]


# attacks


def attack_twin(x, near, weights, spans, rise, most):
    """The definition in whole arrays."""
    run_in, ahead, behind, smooth, back, on, margin = spans
    found = []
    for m, position in enumerate(near):
        start, stop = max(position - ahead, 0), min(position + behind, len(x))
        begin = max(start - run_in, 0)
        power = banded(x[begin:stop], B, A)[start - begin :] ** 2
        n = len(power)
        run = np.stack([np.convolve(p, np.ones(smooth))[:n] for p in power.T], axis=1)
        highest = run.max(axis=0)
        already = run[smooth : margin + smooth].sum(axis=0) / margin
        limit = np.maximum(rise * highest, 3 * already)
        counted = limit <= 0.6 * highest
        begun = ((run > limit) & counted) @ weights[m]
        enough = begun >= most * weights[m][counted].sum()
        both = np.flatnonzero(enough[: n - smooth] & enough[smooth:])
        found.append(position)
        if not counted.any() or len(both) == 0 or both[0] == 0:
            continue
        cross = int(both[0])
        left, right = max(cross - margin, 0), min(cross + margin, n)
        cheapest = np.inf
        for i in range(max(cross - back, left + 1, 1), min(cross + on, right)):
            one, two = power[left:i], power[i:right]
            floor = 1e-12 * power[left:right].mean(axis=0) + 1e-300
            cost = weights[m] @ (
                len(one) * np.log(one.mean(axis=0) + floor)
                + len(two) * np.log(two.mean(axis=0) + floor)
            )
            if cost < cheapest:
                cheapest, found[-1] = cost, start + i
    return found


ATTACK_SPANS = (60, 200, 260, 12, 70, 20, 90)


@pytest.mark.parametrize("most", [0.3, 0.6])
@pytest.mark.parametrize("rise", [0.02, 0.05, 0.3])
@pytest.mark.parametrize("gain", [0.0, 5.0, 60.0])
def test_attack_starts_equal_their_twin(gain, rise, most):
    x = stroke_in_noise(gain=gain)
    near = np.array([0, 3, 150, 390, 400, 440, 520, 700, 899])
    weights = 0.1 + np.random.default_rng(2).random((len(near), len(BANDS)))
    scratch = np.empty((ATTACK_SPANS[1] + ATTACK_SPANS[2] + 6, len(BANDS) + 1))
    out = np.full(len(near), -1)
    attack_starts(x, near, B, A, weights, ATTACK_SPANS, rise, most, scratch, out)
    assert out.tolist() == attack_twin(x, near, weights, ATTACK_SPANS, rise, most)


def test_attack_starts_find_a_clear_stroke_to_a_few_samples():
    x = stroke_in_noise(gain=300.0)
    near = np.array([340, 400, 460])
    scratch = np.empty((ATTACK_SPANS[1] + ATTACK_SPANS[2] + 6, len(BANDS) + 1))
    out = np.zeros(3, np.int64)
    attack_starts(x, near, B, A, np.ones((3, len(BANDS))), ATTACK_SPANS, 0.05, 0.5, scratch, out)
    assert np.abs(out - 400).max() <= 2


# evidence


def evidence_twin(after, before, drum, tilt, tilts, levels, spread, cap, keep):
    """All levels and tilts at once; the first best one counts."""
    null = np.minimum((10 * np.log10(after / before)) ** 2 / (2 * spread**2), cap).sum()
    best = (-1e9, 0.0, 0.0, 0.0)
    for slope in tilts:
        for level in levels:
            stroke = drum * 10 ** ((level - slope * tilt) / 10)
            error = 10 * np.log10(after / (keep * before + stroke))
            gain = null - np.minimum(error**2 / (2 * spread**2), cap).sum()
            if gain > best[0] + 1e-9:
                best = (gain, level, slope, np.maximum(error, 0).sum())
    return best


def test_stroke_evidence_equals_its_twin_and_tells_level_and_tilt():
    rng = np.random.default_rng(3)
    drum, before = 10 ** rng.normal(0, 1, 9), 10 ** rng.normal(-3, 0.5, (12, 9))
    tilt, tilts = np.linspace(0, 4, 9), np.array([0.0, 1.0, 2.0])
    levels = np.arange(-24.0, 3.1, 3.0)
    level, slope = rng.choice(levels, 12), rng.choice(tilts, 12)
    after = before + drum * 10 ** ((level[:, None] - slope[:, None] * tilt) / 10)
    after *= 10 ** rng.normal(0, 0.02, after.shape)
    out = np.zeros((12, 4))
    stroke_evidence(after, before, drum, tilt, tilts, levels, 4.0, 3.0, 0.9, 0.0, out)
    for row, a, b in zip(out, after, before, strict=True):
        twin = evidence_twin(a, b, drum, tilt, tilts, levels, 4.0, 3.0, 0.9)
        np.testing.assert_allclose(row, twin, rtol=1e-9)
    loud = level >= -6
    assert (out[loud, 1] == level[loud]).all()
    assert (out[loud, 2] == slope[loud]).all()
