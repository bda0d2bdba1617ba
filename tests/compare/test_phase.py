# SPDX-License-Identifier: GPL-3.0-or-later
"""Delay and phase between tracks: known shifts are found, gains are no shifts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from dsp.compare.phase import UNMOVED, Alignment, alignment, microphones, wrapped
from tests.compare.sounds import RATE, hit_map
from tests.hits.drums import groove, two_headed

SOUND, ONSETS, LEVELS = groove(two_headed(200.0, 1.7, -6.0), count=10)
HITS = hit_map(ONSETS, [level < -10 for level in LEVELS], len(SOUND))


@pytest.mark.parametrize("samples", [1, -7, 200, -1200])
def test_a_delay_is_found_to_a_fraction_of_a_sample(samples):
    found = alignment(SOUND, np.roll(SOUND, samples, axis=0), HITS)
    assert found.delay_ms == pytest.approx(1000 * samples / RATE, abs=0.002)


def test_a_delay_turns_the_phase_at_the_fundamental():
    found = alignment(SOUND, np.roll(SOUND, 20, axis=0), HITS)
    assert found.phase_degrees == pytest.approx(-360 * 200 * 20 / RATE, abs=3)


def test_polarity_is_phase_and_no_delay():
    found = alignment(SOUND, -SOUND, HITS)
    assert found.delay_ms == pytest.approx(0.0, abs=1e-6)
    assert found.phase_degrees == pytest.approx(180.0)


def test_another_microphone_with_noise_and_a_treatment_is_placed_alike():
    rng = np.random.default_rng(5)
    other = -0.5 * np.roll(SOUND, 33, axis=0) + 0.003 * rng.standard_normal(SOUND.shape)
    gain = np.ones(len(SOUND))
    for onset in HITS.onset:  # more attack, less sustain
        gain[onset : onset + 700], gain[onset + 700 : onset + 9000] = 1.6, 0.5
    raw, sure = microphones(SOUND, other, HITS)
    assert sure
    assert raw.delay_ms == pytest.approx(1000 * 33 / RATE, abs=0.01)
    treated = alignment(other, other * gain[:, None], HITS)
    assert treated.same_as(UNMOVED)
    assert raw.moved_by(treated, UNMOVED).same_as(raw)


def lying(delay_ms, phase):
    return Alignment(delay_ms, (phase,) * len(UNMOVED.phases))


def test_moves_add_up():
    raw = lying(0.5, 170.0)
    moved = raw.moved_by(lying(0.2, 30.0), lying(0.1, -10.0))
    assert (moved.delay_ms, moved.phase_degrees) == (pytest.approx(0.6), pytest.approx(-150.0))
    assert not moved.same_as(raw)
    assert not raw.same_as(lying(0.52, 170.0))
    assert lying(0.0, 179.5).same_as(lying(0.0, -179.5))


def test_a_filter_that_turns_one_octave_alone_is_noticed():
    """An all-pass of the second order around 4 kHz turns it, and hardly the fundamental."""
    turn, radius = 2 * np.pi * 4000 / RATE, 0.9
    a = [1.0, -2 * radius * np.cos(turn), radius**2]
    found = alignment(SOUND, lfilter(a[::-1], a, SOUND, axis=0), HITS)
    assert abs(found.phase_degrees) < 5
    assert abs(found.most_turned) > 60
    assert not found.same_as(UNMOVED)


def test_silence_and_no_strokes_have_no_place():
    assert alignment(SOUND, np.zeros_like(SOUND), HITS) is None
    assert alignment(SOUND, SOUND, hit_map([], [], len(SOUND))) is None
    assert microphones(SOUND, np.zeros_like(SOUND), HITS) == (None, False)


@pytest.mark.parametrize(("angle", "same"), [(190, -170), (-180, 180), (540, 180), (20, 20)])
def test_wrapped(angle, same):
    assert wrapped(angle) == same
