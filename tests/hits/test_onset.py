# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes to the sample, wherever they lie in the file."""

from functools import cache

import numpy as np
import pytest
from scipy.signal import resample_poly

from dsp.hits import find_hits
from tests.hits.drums import RATE, groove, membrane, play, two_headed
from tests.open_takes import needed, takes
from tests.open_takes.plans import HARSH_DB

DRUMS = {"membrane": membrane(200), "two heads": two_headed(240, 1.7, 3), "high": membrane(430)}
LEVELS = [-2.0, -3.0, -20.0, -1.0, -18.0, -2.0, -1.0, -3.0]


@pytest.mark.parametrize("drum", DRUMS)
def test_every_stroke_is_found_to_the_sample(drum):
    track, onsets, _ = groove(DRUMS[drum])
    assert find_hits(track, RATE).onset.tolist() == onsets


@pytest.mark.parametrize(("bleed_db", "within_ms"), [(-60, 0.02), (-50, 0.1), (-45, 0.25)])
def test_strokes_in_steady_bleed_are_found_within_a_fraction_of_a_millisecond(bleed_db, within_ms):
    track, onsets, _ = groove(DRUMS["membrane"], bleed_db=bleed_db)
    hits = find_hits(track, RATE)
    assert len(hits) == len(onsets)
    assert np.median(np.abs(hits.onset - onsets)) <= within_ms * RATE / 1000


@pytest.mark.parametrize("first", [0, 1, 5, 20, 60, 500])
def test_a_stroke_at_the_very_start_is_a_hit(first):
    onsets = [first + 20_000 * n for n in range(8)]
    track = play(DRUMS["membrane"], onsets, LEVELS, first + 165_000)
    hits = find_hits(track, RATE)
    assert hits.onset[1:].tolist() == onsets[1:]
    # with less than half a millisecond ahead of it, a stroke may be taken to begin with the file
    assert hits.onset[0] == first or (hits.onset[0] == 0 and first < 0.0005 * RATE)


@pytest.mark.parametrize("left", [720, 1000, 4000])
def test_a_stroke_cut_by_the_end_is_a_hit(left):
    # 15 ms and more of it; with 10 ms there is too little to know a stroke by
    onsets = [8000 + 20_000 * n for n in range(8)]
    track = play(DRUMS["membrane"], onsets, LEVELS, onsets[-1] + left)
    hits = find_hits(track, RATE)
    assert hits.onset.tolist() == onsets
    assert hits.end[-1] == len(track)


@pytest.mark.parametrize("apart_ms", [30, 45, 70, 120])
def test_strokes_that_run_into_each_other_are_told_apart(apart_ms):
    apart = round(apart_ms * RATE / 1000)
    onsets = [9000 + apart * n + (20_000 if n > 5 else 0) for n in range(12)]
    levels = [-3.0, -1.0, -4.0, -2.0, -5.0, -1.0] * 2
    track = play(DRUMS["membrane"], onsets, levels, onsets[-1] + 20_000)
    hits = find_hits(track, RATE)
    assert len(hits) == len(onsets)
    assert np.abs(hits.onset - onsets).max() <= round(0.00025 * RATE)


def test_a_hit_ends_at_the_latest_where_the_next_begins():
    track, _, _ = groove(DRUMS["membrane"], apart_s=0.15)
    hits = find_hits(track, RATE)
    assert (hits.onset < hits.end).all()
    assert (hits.end[:-1] <= hits.onset[1:]).all()
    assert hits.end[-1] <= hits.frames == len(track)


def test_a_stroke_ends_where_it_has_sunk_into_the_bleed():
    # the slowest mode is the fundamental: 60 dB in 0.4 s
    ends = {}
    for bleed_db in (-80.0, -60.0):
        track, _, _ = groove(DRUMS["membrane"], bleed_db=bleed_db, apart_s=0.8, count=8)
        hits = find_hits(track, RATE)
        full = ~hits.ghost
        ends[bleed_db] = float(np.median((hits.end - hits.onset)[full])) / RATE
    assert ends[-80.0] - ends[-60.0] == pytest.approx(20 / 60 * 0.4, rel=0.35)


@cache
def given(name):
    """A synthetic groove, or a take of open recordings."""
    if name == "synthetic":
        return groove(DRUMS["two heads"])[0]
    needed.recordings()
    name, louder_db = (name[6:], HARSH_DB) if name.startswith("harsh ") else (name, 0.0)
    return takes.make(name, 1, louder_db).tracks["top"][:, None]


NAMES = ["synthetic", "backbeat_ghosts", "open_hats", "harsh tom_fills"]


@pytest.mark.parametrize("late", [1, 1000, 12_345, 48_000])
@pytest.mark.parametrize("name", NAMES)
def test_where_the_take_starts_does_not_matter(name, late):
    track = given(name)
    here = find_hits(track, RATE)
    moved = find_hits(np.pad(track, ((late, 0), (0, 0))), RATE)
    np.testing.assert_array_equal(moved.onset, here.onset + late)
    np.testing.assert_array_equal(moved.ghost, here.ghost)
    np.testing.assert_allclose(moved.strength_db, here.strength_db, atol=0.05)
    assert np.abs(moved.velocity - here.velocity).max() <= 1
    assert moved.fundamental_hz == pytest.approx(here.fundamental_hz, rel=0.002)


@pytest.mark.parametrize("late", [1000, 48_000])
@pytest.mark.parametrize("name", NAMES)
def test_silence_behind_the_take_does_not_matter(name, late):
    track = given(name)
    here = find_hits(track, RATE)
    longer = find_hits(np.pad(track, ((0, late), (0, 0))), RATE)
    np.testing.assert_array_equal(longer.onset, here.onset)
    np.testing.assert_array_equal(longer.ghost, here.ghost)
    np.testing.assert_allclose(longer.strength_db, here.strength_db, atol=0.05)
    assert longer.fundamental_hz == pytest.approx(here.fundamental_hz, rel=0.002)


def master(track):
    """A track at 48 kHz without anything above 18 kHz, at 192 kHz; the slope hardly rings."""
    up = resample_poly(track, 4, 1)
    hz = np.fft.rfftfreq(len(up), 1 / 192_000)
    slope = np.clip((hz - 9000) / 9000, 0, 1)
    return np.fft.irfft(np.fft.rfft(up) * np.cos(np.pi / 2 * slope) ** 2, len(up))


@cache
def at_rate(name, rate):
    divisor = int(np.gcd(rate, 192_000))
    track = master(given(name)[:, 0])
    return find_hits(resample_poly(track, rate // divisor, 192_000 // divisor)[:, None], rate)


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000])
@pytest.mark.parametrize("name", NAMES)
def test_the_sample_rate_does_not_matter(name, rate):
    here, there = at_rate(name, 48_000), at_rate(name, rate)
    assert len(there) == len(here)
    assert np.abs(there.time_s - here.time_s).max() <= 0.0001
    apart = np.abs(there.strength_db - here.strength_db)
    assert np.median(apart) <= 0.2
    assert apart.max() <= 3.0  # one stroke under something else
    np.testing.assert_array_equal(there.ghost, here.ghost)
    assert there.fundamental_hz == pytest.approx(here.fundamental_hz, rel=0.005)
