# SPDX-License-Identifier: GPL-3.0-or-later
"""Loudness against the standards' own signals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dsp.compare.loudness import level_db, loudness, stroke_level_db
from tests.compare.sounds import RATE, hit_map, tone

# EBU Tech 3341 (v3, 2016), table 1: a 1 kHz tone in both channels, (peak dBFS, seconds)
PROGRAMMES = {
    1: [(-23, 20)],
    2: [(-33, 20)],
    3: [(-36, 10), (-23, 60), (-36, 10)],
    4: [(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)],
    5: [(-26, 20), (-20, 20.1), (-26, 20)],
}
EXPECTED = {1: -23.0, 2: -33.0, 3: -23.0, 4: -23.0, 5: -23.0}
# The same worked out with the filter of BS.1770-4, annex 1, tables 1 and 2, at 48 kHz
COMPUTED = {1: -22.993, 2: -32.993, 3: -23.014, 4: -23.014, 5: -22.979}


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("case", PROGRAMMES)
def test_programmes_of_tech_3341_read_within_a_tenth(case, rate):
    found = loudness(tone(1000, PROGRAMMES[case], rate, channels=2), rate)
    assert found.lufs == pytest.approx(EXPECTED[case], abs=0.1)


@pytest.mark.parametrize("case", PROGRAMMES)
def test_programmes_read_as_the_recommendations_own_filter_gives(case):
    found = loudness(tone(1000, PROGRAMMES[case], channels=2), RATE)
    assert found.lufs == pytest.approx(COMPUTED[case], abs=0.001)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_five_channels_of_tech_3341_case_6(rate):
    channels = [tone(1000, [(db, 20)], rate)[:, 0] for db in (-28, -28, -24, -30, -30)]
    assert loudness(np.stack(channels, axis=1), rate).lufs == pytest.approx(-23.0, abs=0.1)


def test_a_full_scale_tone_of_997_hz_reads_minus_3_01():
    """ITU-R BS.1770-4, annex 1: one front channel, −3.01 LKFS."""
    assert loudness(tone(997, [(0, 10)]), RATE).lufs == pytest.approx(-3.010, abs=0.002)


def test_the_gates_are_those_of_the_library():
    """At any gain: blocks are measured once, and gated here as the library gates."""
    import pyloudnorm

    rng = np.random.default_rng(4)
    swell = np.repeat(10 ** (rng.uniform(-70, 0, 30) / 20), RATE // 5)[:, None]
    sound = 0.3 * swell * rng.standard_normal((len(swell), 5))
    sound[RATE : 2 * RATE] = 0
    meter = pyloudnorm.Meter(RATE, filter_class="DeMan")
    found, left = loudness(sound, RATE), set()
    for gain in (0.0, -20.0, -35.0, -50.0):
        expected = meter.integrated_loudness(10 ** (gain / 20) * sound)
        assert found.with_gain(gain).lufs == pytest.approx(expected, abs=1e-9)
        left.add(found.with_gain(gain).blocks)
    assert len(left) > 1  # the absolute gate took part
    assert found.with_gain(-200).lufs is None


def test_blocks_count_what_the_gates_leave():
    assert loudness(tone(1000, [(-23, 10)]), RATE).blocks == 97
    beside_silence = loudness(
        np.concatenate([tone(1000, [(-23, 1)]), np.zeros((480_000, 1))]), RATE
    )
    assert beside_silence.blocks == 10  # seven whole ones, and those that hold 0.1 s or more


@pytest.mark.parametrize("samples", [np.zeros((RATE, 1)), tone(1000, [(-23, 0.3)])])
def test_silence_and_what_is_shorter_than_a_block_have_no_loudness(samples):
    found = loudness(samples, RATE)
    assert (found.lufs, found.blocks) == (None, 0)


def test_level_over_strokes_hears_only_them():
    hits = hit_map([1000, 30_000], [False, True], 60_000)
    sound = np.full((60_000, 1), 0.9)
    for onset in hits.onset:
        sound[onset : onset + 9600] = 0.5
    sound = sound[500:]  # a stretch of the take
    assert stroke_level_db(sound, hits, 500) == pytest.approx(20 * math.log10(0.5))
    assert stroke_level_db(np.zeros((60_000, 1)), hits, 0) is None
    assert stroke_level_db(sound, hit_map([], [], 60_000), 0) is None


def test_channels_add_in_a_level():
    assert level_db(np.full((10, 2), 0.5)) == pytest.approx(20 * math.log10(0.5) + 3.0103, abs=1e-3)
    assert level_db(np.zeros((10, 2))) is None
