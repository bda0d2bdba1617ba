# SPDX-License-Identifier: GPL-3.0-or-later
"""Power by octave, against signals whose spectrum is known."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.compare.octaves import centres_hz, gap_octaves, stroke_octaves
from tests.compare.sounds import RATE, hit_map, strokes, tone

HITS = hit_map(list(range(10_000, 200_000, 24_000)), [False] * 8, 240_000)


def test_octaves_lie_below_half_the_rate():
    assert centres_hz(48_000)[0] == 62.5
    assert centres_hz(48_000)[-1] == centres_hz(192_000)[-1] == 16_000
    assert centres_hz(44_100)[-1] == 8_000  # the octave at 16 kHz ends at 22.6 kHz


@pytest.mark.parametrize("index", range(9))
def test_a_tone_between_strokes_is_found_in_its_octave_with_its_level(index):
    sound = tone(centres_hz(RATE)[index], [(-20, 5)])
    for onset, end in zip(HITS.onset, HITS.end, strict=True):
        sound[onset:end] = 0.9  # strokes do not count
    powers = gap_octaves(sound, HITS)
    assert 10 * np.log10(powers[index]) == pytest.approx(-23.01, abs=0.3)
    assert np.argmax(powers) == index


def test_white_noise_falls_by_3_db_an_octave_downward():
    noise = 0.1 * np.random.default_rng(2).standard_normal((20 * RATE, 1))
    powers = gap_octaves(noise, hit_map([], [], len(noise)))
    bands = np.array([hz / 2**0.5 for hz in centres_hz(RATE)])
    expected = 0.01 * bands / (RATE / 2)
    assert 10 * np.log10(powers[2:] / expected[2:]) == pytest.approx(np.zeros(7), abs=0.3)


def test_gaps_shorter_than_a_frame_are_not_measured():
    close = hit_map(list(range(1000, 100_000, 2400)), [False] * 42, 100_000, longest_s=0.03)
    assert gap_octaves(np.full((100_000, 1), 0.1)[: int(close.end[-1]) + 100], close) is None


def test_strokes_balance_is_that_of_the_strokes_whatever_their_level():
    low, high = strokes(HITS, hz=250.0), strokes(HITS, hz=4000.0)
    shares = stroke_octaves(low + high, HITS)
    assert shares.sum() == pytest.approx(1.0)
    found = dict(zip(centres_hz(RATE), shares, strict=True))
    assert found[250.0] == pytest.approx(0.5, abs=0.06)
    assert found[4000.0] == pytest.approx(0.5, abs=0.06)
    assert stroke_octaves(0.1 * (low + high), HITS) == pytest.approx(shares)
    assert stroke_octaves(np.zeros_like(low), HITS) is None


def test_ghosts_do_not_count_in_the_balance():
    ghosts = hit_map(HITS.onset.tolist(), [n % 2 == 0 for n in range(8)], 240_000)
    sound = strokes(HITS, hz=250.0)
    for onset, end in zip(ghosts.onset[ghosts.ghost], ghosts.end[ghosts.ghost], strict=True):
        sound[onset:end] = tone(8000.0, [(0, 0.2)])[: end - onset]
    assert np.argmax(stroke_octaves(sound, ghosts)) == 2
