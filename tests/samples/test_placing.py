# SPDX-License-Identifier: GPL-3.0-or-later
"""Placing a stroke: correlation, polarity, and the fundamental."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.samples.placing import (
    AtFundamental,
    Matched,
    choose_delay,
    common_polarity,
    fundamental_at,
    is_its_own,
    match,
    sum_gain_db,
)

RATE = 48_000
HZ = 200.0


def burst(count: int = 4000, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    time = np.arange(count) / RATE
    body = np.sin(2 * np.pi * HZ * time) * np.exp(-time / 0.05)
    return body + 0.5 * rng.standard_normal(count) * np.exp(-time / 0.01)


@given(st.integers(-96, 96), st.sampled_from([1, -1]), st.floats(0.01, 10))
def test_the_same_stroke_is_found_where_it_is(delay: int, polarity: int, gain: float) -> None:
    track = np.zeros(9600)
    sound = burst()
    track[4800 + delay : 4800 + delay + len(sound)] += polarity * gain * sound
    matched = match(track, 4800, sound, 0, 96, RATE)
    assert matched.reach == 96
    assert common_polarity([matched]) == polarity
    assert matched.correlation[96 + delay] == pytest.approx(polarity, abs=0.005)
    assert choose_delay(matched, polarity, None, RATE) == delay


def test_where_nothing_correlates_the_stroke_stays() -> None:
    noise = np.random.default_rng(2).standard_normal(9600)
    matched = match(noise, 4800, burst(), 0, 96, RATE)
    assert choose_delay(matched, 1, None, RATE) == 0
    silent = match(np.zeros(9600), 4800, burst(), 0, 96, RATE)
    assert not silent.correlation.any()
    assert choose_delay(silent, 1, None, RATE) == 0


def test_the_fundamental_decides_between_delays_that_correlate_alike() -> None:
    flat = Matched(np.full(97, 0.9))
    # The sample lags by 150 degrees: at its own time the sum would be lower than either.
    tone = AtFundamental(real=1.0, sample=np.exp(-2.6j), hz=HZ)
    assert tone.gains_db(np.zeros(1, np.int64), RATE)[0] < 0
    delay = choose_delay(flat, 1, tone, RATE)
    assert delay < 0
    assert tone.gains_db(np.array([delay]), RATE)[0] >= 0
    assert choose_delay(flat, 1, AtFundamental(1.0, np.exp(-0.5j), HZ), RATE) == 0


def test_the_attack_is_not_given_up_for_the_fundamental() -> None:
    sharp = np.full(97, 0.1)
    sharp[48] = 0.95
    opposed = AtFundamental(real=1.0, sample=-1.0, hz=HZ)
    assert choose_delay(Matched(sharp), 1, opposed, RATE) == 0


def test_amplitude_and_phase_at_the_fundamental_are_those_of_a_sine() -> None:
    time = np.arange(9600) / RATE
    sine = 0.5 * np.cos(2 * np.pi * HZ * (time - 0.01) + 0.7)
    found = fundamental_at(sine, 480, 9600, HZ, RATE)
    window = np.hanning(2 * 3840 + 1)[3840:7680]
    assert abs(found) == pytest.approx(0.5 / 2 * window.sum(), rel=0.02)
    assert np.angle(found) == pytest.approx(0.7, abs=0.05)


def test_a_soft_stroke_in_a_loud_tail_is_not_its_own() -> None:
    track = np.zeros(12_000)
    track[1000:5000] += burst()
    track[3000:7000] += 0.05 * burst()
    assert is_its_own(track, 1000, 3000, HZ, RATE)
    assert not is_its_own(track, 3000, 12_000, HZ, RATE)


@pytest.mark.parametrize(
    ("one", "other", "gain"),
    [(1, 1, 6.0206), (1, -1, -300), (1, 1j, 3.0103), (0, 0, 0), (2, -1, -6.0206), (1, 0, 0)],
)
def test_what_a_sum_gains(one: complex, other: complex, gain: float) -> None:
    assert sum_gain_db(one, other) == pytest.approx(gain, abs=1e-3)
