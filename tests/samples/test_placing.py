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
    fundamental_by_delay,
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
    assert choose_delay(matched, polarity, None) == delay


def test_where_nothing_correlates_the_stroke_stays() -> None:
    noise = np.random.default_rng(2).standard_normal(9600)
    matched = match(noise, 4800, burst(), 0, 96, RATE)
    assert choose_delay(matched, 1, None) == 0
    silent = match(np.zeros(9600), 4800, burst(), 0, 96, RATE)
    assert not silent.correlation.any()
    assert choose_delay(silent, 1, None) == 0


def tone(lag: float, reach: int = 48, **more: object) -> AtFundamental:
    """A real stroke of amplitude 1, and a sample that lags by an angle at delay 0."""
    delays = np.arange(-reach, reach + 1)
    turned = np.exp(-1j * (lag + 2 * np.pi * HZ * delays / RATE))
    return AtFundamental(1.0, turned, **more)


def test_the_fundamental_decides_between_delays_that_correlate_alike() -> None:
    flat = Matched(np.full(97, 0.9))
    # The sample lags by 150 degrees: at its own time the sum would be lower than either.
    late = tone(2.6)
    assert late.gains_db()[48] < 0
    delay = choose_delay(flat, 1, late)
    assert delay < 0
    assert late.gains_db()[48 + delay] >= 0
    assert choose_delay(flat, 1, tone(0.5)) == 0


def test_tails_of_earlier_layered_strokes_count() -> None:
    flat = Matched(np.full(97, 0.9))
    # Alone the sample would add at its own time; with what rings there already it does not.
    ringing = tone(1.6, tail=0.6 * np.exp(-2.8j))
    assert ringing.gains_alone_db()[48] > 0.1 > ringing.gains_db()[48]
    delay = choose_delay(flat, 1, ringing)
    assert delay < 0
    assert min(ringing.gains_db()[48 + delay], ringing.gains_alone_db()[48 + delay]) >= 0.1
    # A tail that no delay mends: a stroke of its own gets the best there is, another stays.
    hopeless = 3 * np.exp(-3.1j)
    assert choose_delay(flat, 1, tone(0.0, tail=hopeless, own=False)) == 0
    best = tone(0.0, tail=hopeless)
    assert choose_delay(flat, 1, best) == np.argmax(best.gains_db()) - 48


@pytest.mark.parametrize("span", [500, 2000, 9000])
def test_the_fundamental_at_every_delay_is_that_of_the_moved_sample(span: int) -> None:
    sound, reach, onset = burst(6000), 30, 2
    found = fundamental_by_delay(sound, onset, span, reach, HZ, RATE)
    for delay in (-30, -7, 0, 1, 30):
        track = np.zeros(12_000)
        start = 100 - onset + delay
        track[start : start + len(sound)] = sound
        expected = fundamental_at(track, 100, 100 + span, HZ, RATE)
        assert found[delay + reach] == pytest.approx(expected, abs=1e-9)


def test_the_attack_is_not_given_up_for_the_fundamental() -> None:
    sharp = np.full(97, 0.1)
    sharp[48] = 0.95
    assert choose_delay(Matched(sharp), 1, tone(np.pi)) == 0


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
