# SPDX-License-Identifier: GPL-3.0-or-later
"""Detectors against slow twins and a standard's table."""

import math

import numpy as np
import pytest

from dsp.kernels.envelope import last_above, mean_square, peaks_between, spans_above

# IEC 61672-1:2013, table 4: levels of 4 kHz tone bursts re the steady tone. The table follows
# 10 lg(1 − exp(−Tb / τ)) and prints it with one decimal; time constants as published, table
# values from memory and equal to the formula after rounding.
FAST = {
    1000: 0.0, 500: -0.1, 200: -1.0, 100: -2.6, 50: -4.8, 20: -8.3, 10: -11.1, 5: -14.1, 2: -18.0,
    1: -21.0, 0.5: -24.0, 0.25: -27.0,
}  # fmt: skip
SLOW = {
    1000: -2.0, 500: -4.1, 200: -7.4, 100: -10.2, 50: -13.1, 20: -17.0, 10: -20.0, 5: -23.0,
    2: -27.0,
}  # fmt: skip
BURSTS = [(0.125, *row) for row in FAST.items()] + [(1.0, *row) for row in SLOW.items()]


def noise(frames=700, channels=2, seed=5):
    return np.random.default_rng(seed).standard_normal((frames, channels)) ** 3 / 10


def test_peaks_between_equals_its_twin():
    x = noise()
    starts = np.array([0, 10, 100, 699, 700, 50])
    stops = np.array([1, 10, 400, 700, 700, 51])
    out = np.full(len(starts), -1.0)
    peaks_between(x, starts, stops, out)
    twin = [np.abs(x[a:b]).max(initial=0.0) for a, b in zip(starts, stops, strict=True)]
    assert out.tolist() == twin


def envelope_twin(x, fall):
    """Largest of all magnitudes so far, each fallen since; sums of logarithms, not products."""
    level = np.abs(x).max(axis=1)
    index = np.arange(len(x))
    with np.errstate(divide="ignore"):
        fallen = np.log(level)[None, :] + (index[:, None] - index[None, :]) * math.log(fall)
    fallen[index[:, None] < index[None, :]] = -np.inf
    return np.exp(fallen.max(axis=1, initial=-np.inf))


@pytest.mark.parametrize("fall", [1e-9, 0.7, 0.99])
@pytest.mark.parametrize("close_at", [0.01, 0.3, 100.0])
def test_last_above_equals_its_twin(close_at, fall):
    x = noise()
    starts, stops = np.array([0, 10, 100, 699, 700]), np.array([1, 10, 400, 700, 700])
    out = np.full(len(starts), -1)
    last_above(x, starts, stops, close_at, fall, out)
    twin = []
    for a, b in zip(starts, stops, strict=True):
        loud = np.flatnonzero(envelope_twin(x[a:b], fall) >= close_at)
        twin.append(a + loud[-1] + 1 if len(loud) else a)
    assert out.tolist() == twin


def spans_twin(level, open_at, close_at, bridge):
    found, at = [], 0
    while at < len(level):
        loud = np.flatnonzero(level[at:] >= open_at)
        if len(loud) == 0:
            break
        start = last = at + int(loud[0])
        while any(level[last + 1 : last + 1 + bridge] >= close_at):
            last += 1 + int(np.argmax(level[last + 1 : last + 1 + bridge] >= close_at))
        found.append((start, last + 1))
        at = last + 1 + bridge
    return found


@pytest.mark.parametrize("fall", [1e-9, 0.7, 0.99])
@pytest.mark.parametrize("bridge", [1, 5, 60])
@pytest.mark.parametrize(("open_at", "close_at"), [(0.5, 0.5), (0.5, 0.1), (0.9, 0.0), (99.0, 1.0)])
@pytest.mark.parametrize("dtype", [np.float64, np.float32])
def test_spans_above_equals_its_twin(open_at, close_at, bridge, fall, dtype):
    x = noise().astype(dtype)
    starts, stops = np.empty(400, np.int64), np.empty(400, np.int64)
    count = spans_above(x, open_at, close_at, fall, bridge, starts, stops)
    found = list(zip(starts[:count].tolist(), stops[:count].tolist(), strict=True))
    assert found == spans_twin(envelope_twin(x, fall), open_at, close_at, bridge)


def test_spans_above_counts_what_it_has_no_room_for():
    x = noise()
    none = np.empty(0, np.int64)
    starts, stops = np.full(2, -1), np.full(2, -1)
    settings = (0.5, 0.5, 1e-9, 1)
    twin = spans_twin(np.abs(x).max(axis=1), 0.5, 0.5, 1)
    count = spans_above(x, *settings, starts, stops)
    assert count == spans_above(x, *settings, none, none) == len(twin)
    assert count > 2
    assert list(zip(starts, stops, strict=True)) == twin[:2]


def test_mean_square_equals_its_twin_and_a_split_run_equals_the_whole():
    x = noise(channels=1)[:, 0]
    whole, parts = np.empty(len(x)), np.empty(len(x))
    last = mean_square(x, 0.99, 0.25, whole)
    twin = 0.25
    for i, value in enumerate(x):
        twin = 0.99 * twin + 0.01 * value**2
        assert whole[i] == pytest.approx(twin, rel=1e-12)
    assert last == whole[-1]
    between = mean_square(x[:123], 0.99, 0.25, parts[:123])
    mean_square(x[123:], 0.99, between, parts[123:])
    assert parts.tobytes() == whole.tobytes()


def test_mean_square_reaches_63_2_percent_after_its_time_constant():
    # Giannoulis, Massberg, Reiss, JAES 60(6), 2012: α = exp(−1 / (τ·fs))
    for rate, tau in ((48_000, 0.010), (44_100, 0.100)):
        x = np.concatenate([np.ones(round(2 * rate)), np.zeros(round(tau * rate))])
        out = np.empty(len(x))
        mean_square(x, math.exp(-1 / (tau * rate)), 0.0, out)
        assert out[round(tau * rate) - 1] == pytest.approx(1 - math.exp(-1), abs=1e-4)
        assert out[-1] == pytest.approx(math.exp(-1), abs=1e-4)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize(("tau", "burst_ms", "printed_db"), BURSTS)
def test_mean_square_gives_the_standards_toneburst_responses(rate, tau, burst_ms, printed_db):
    exact = 10 * math.log10(1 - math.exp(-burst_ms / 1000 / tau))
    assert round(exact, 1) == pytest.approx(printed_db, abs=0.051)
    burst = np.arange(round(burst_ms / 1000 * rate)) / rate
    tone = math.sqrt(2) * np.sin(2 * np.pi * 4000 * burst)  # mean square 1
    out = np.empty(len(tone))
    mean_square(tone, math.exp(-1 / (tau * rate)), 0.0, out)
    assert 10 * math.log10(out.max()) == pytest.approx(exact, abs=0.05)


@pytest.mark.parametrize(("tau", "db_per_s"), [(0.125, 34.74), (1.0, 4.343)])
def test_mean_square_falls_as_the_standard_asks(tau, db_per_s):
    # IEC 61672-1:2002, 5.7.2: F at least 25 dB/s, S 3.4 to 5.3 dB/s; ideal 10 / (ln 10 · τ)
    out = np.empty(48_000)
    mean_square(np.zeros(48_000), math.exp(-1 / (tau * 48_000)), 1.0, out)
    fall = 10 * math.log10(out[0] / out[-1]) * 48_000 / 47_999
    assert fall == pytest.approx(db_per_s, rel=1e-3)
