# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures of a print against what was done to it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from dsp.compare.measuring import (
    attack_above_sustain,
    ghosts_kept,
    read_print,
    shown_hz,
    take_rows,
)
from tests.compare.sounds import RATE, hit_map, strokes

FRAMES = 10 * RATE
HITS = hit_map(
    list(range(10_000, FRAMES - 30_000, 24_000)),
    [n % 3 == 2 for n in range(19)],
    FRAMES,
    rings=[540.0],
)
NOISE = 0.002 * np.random.default_rng(3).standard_normal((FRAMES, 1))
RAW = strokes(HITS) + NOISE


def rows(samples):
    reading = read_print(samples, HITS)
    return {row.name: row.value for row in take_rows(reading, read_print(RAW, HITS), RATE)}


def test_a_gain_changes_levels_and_nothing_else():
    raw, louder = rows(RAW), rows(1.5 * RAW)
    gain = 20 * np.log10(1.5)
    for name, value in raw.items():
        expected = value
        if name in ("bleed between strokes", "highest sample peak"):
            expected = value + gain
        assert louder[name] == (None if expected is None else pytest.approx(expected)), name


def test_less_bleed_shows_in_total_and_in_every_octave():
    raw, cleaner = rows(RAW), rows(strokes(HITS) + 0.1 * NOISE)
    octaves = [name for name in raw if name.startswith("bleed, octave")]
    assert len(octaves) == 9
    for name in ["bleed between strokes", *octaves]:
        assert raw[name] - cleaner[name] == pytest.approx(20, abs=0.5), name
    assert cleaner["full strokes above bleed"] - raw["full strokes above bleed"] == pytest.approx(
        20, abs=0.5
    )


def test_ghosts_that_went_down_are_counted():
    raw = read_print(RAW, HITS)
    lost = strokes(HITS)
    ghosts = HITS.onset[HITS.ghost]
    for onset in ghosts[:2]:
        lost[onset : onset + 9600] *= 0.3
    lost[ghosts[2] : ghosts[2] + 9600] *= 0.6
    expected = 100 * (1 - 2 / len(ghosts))
    assert ghosts_kept(raw, read_print(lost, HITS)) == pytest.approx(expected)
    assert ghosts_kept(raw, read_print(0.2 * lost, HITS)) == pytest.approx(expected)
    assert ghosts_kept(raw, raw) == 100.0
    assert ghosts_kept(raw, read_print(np.zeros_like(RAW), HITS)) is None


def test_attack_against_sustain_follows_both():
    plain = attack_above_sustain(RAW, HITS)
    shaped = RAW.copy()
    for onset in HITS.onset:
        shaped[onset : onset + 900] *= 10 ** (4 / 20)
        shaped[onset + 1200 : onset + 9600] *= 10 ** (-5 / 20)
    assert attack_above_sustain(shaped, HITS) - plain == pytest.approx(9.0, abs=0.01)


def test_attack_needs_strokes_with_room():
    fast = hit_map(list(range(0, 48_000, 4000)), [False] * 12, 48_000)
    assert attack_above_sustain(RAW[:48_000], fast) is None


@pytest.mark.parametrize("decay_s", [0.045, 0.07])
def test_a_longer_ring_has_a_longer_decay_time(decay_s):
    whole = dataclasses.replace(HITS, end=np.append(HITS.onset[1:], FRAMES))
    ring = strokes(whole, decay_s=decay_s, hz=540.0) + 0.1 * NOISE
    assert rows(ring)["ring at 540 Hz, decay time"] == pytest.approx(6.91 * decay_s, rel=0.1)


def test_silence_is_unknown_and_not_a_number():
    for name, value in rows(np.zeros_like(RAW)).items():
        assert value is None or value == 0, name


def test_octave_names():
    assert [shown_hz(hz) for hz in (62.5, 125.0, 1000.0, 16_000.0)] == [
        "63 Hz",
        "125 Hz",
        "1 kHz",
        "16 kHz",
    ]
