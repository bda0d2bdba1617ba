# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops that place onsets against slow twins."""

import numpy as np
import pytest

from dsp.kernels.arrivals import attack_starts, change_points, excerpt_sums
from tests.kernels.signals import BANDS, A, B, banded, stroke_in_noise


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
    kinds = len(BANDS) + 1
    weights = np.random.default_rng(1).random((len(near), kinds, len(BANDS)))
    spans = (run_in, 150, 100, 90, 80, step)
    out = np.full((len(near), kinds), -1)
    scratch = np.empty((spans[1] + spans[2] + 4, kinds))
    change_points(x, near, B, A, weights, spans, scratch, out)
    for kind in range(kinds):
        assert out[:, kind].tolist() == change_twin(x, near, weights[:, kind], spans)
    assert abs(out[4, 0] - 400) <= 4


def test_change_points_stay_where_they_are_in_silence():
    near = np.array([50])
    out = np.zeros((1, 1), np.int64)
    scratch = np.empty((104, len(BANDS)))
    weights, spans = np.zeros((1, 1, len(BANDS))), (0, 50, 50, 0, 1, 1)
    change_points(np.zeros(200), near, B, A, weights, spans, scratch, out)
    assert out.tolist() == [[50]]


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
    scratch = np.empty((ATTACK_SPANS[1] + ATTACK_SPANS[2], len(BANDS) + 1))
    out = np.full(len(near), -1)
    attack_starts(x, near, B, A, weights, ATTACK_SPANS, rise, most, scratch, out)
    assert out.tolist() == attack_twin(x, near, weights, ATTACK_SPANS, rise, most)


def test_attack_starts_find_a_clear_stroke_to_a_few_samples():
    x = stroke_in_noise(gain=300.0)
    near = np.array([340, 400, 460])
    scratch = np.empty((ATTACK_SPANS[1] + ATTACK_SPANS[2], len(BANDS) + 1))
    out = np.zeros(3, np.int64)
    attack_starts(x, near, B, A, np.ones((3, len(BANDS))), ATTACK_SPANS, 0.05, 0.5, scratch, out)
    assert np.abs(out - 400).max() <= 2


# evidence


@pytest.mark.parametrize("start", [-30, 0, 200, 860, 950])
def test_excerpt_sums_equal_their_twin(start):
    x = stroke_in_noise()
    length, run_in = 80, 25
    out = np.empty((1, length + 1, 3))
    excerpt_sums(x, np.array([start]), run_in, B, A, np.empty((length, 3)), out)
    first = max(start, 0)
    skip = min(run_in, first)
    power = banded(x[first - skip : max(start + length, 0)], B, A)[skip:] ** 2
    want = np.zeros((length + 1, 3))
    placed = np.zeros((length, 3))
    at = max(-start, 0)
    placed[at : at + len(power)] = power[: length - at]
    want[1:] = np.cumsum(placed, axis=0)
    np.testing.assert_allclose(out[0], want, rtol=1e-9, atol=1e-12)
