# SPDX-License-Identifier: GPL-3.0-or-later
"""The part that is played."""

import numpy as np
import pytest

from dsp.demo.groove import BAR, BARS, ENDING, FULL_SECONDS, LETTERS, QUIET_END, perform


def test_every_pattern_is_playable():
    for bar in (*BARS, ENDING):
        for voice, pattern in bar.items():
            assert len(pattern) in (16, 32)
            assert set(pattern) <= {*LETTERS[voice], "."}


def test_the_whole_part_has_all_that_a_take_needs():
    events = perform(FULL_SECONDS, 1)
    assert 24 <= FULL_SECONDS <= 32
    kinds = {(e.voice, e.kind) for e in events}
    assert {("snare", k) for k in ("ghost", "tap", "accent", "backbeat", "rimshot")} <= kinds
    assert {("hat", "closed"), ("hat", "open"), ("hat", "pedal"), ("ride", "tip")} <= kinds
    assert {("toms", "rack"), ("toms", "floor"), ("crash", "edge"), ("crash", "choke")} <= kinds
    snare = np.array([e.time for e in events if e.voice == "snare"])
    assert np.diff(snare).min() < 0.08  # fast alternating strokes, 32nds at this tempo
    assert max(e.time for e in events) < FULL_SECONDS - QUIET_END


def test_strokes_keep_their_range_and_ghosts_are_the_softest():
    events = [e for e in perform(FULL_SECONDS, 3) if e.voice == "snare"]
    assert all(-26 <= e.level_db <= 0 for e in events)
    ghosts = [e.level_db for e in events if e.kind == "ghost"]
    assert max(ghosts) < min(e.level_db for e in events if e.kind != "ghost")


def test_time_is_human_but_kept():
    times = np.array([e.time for e in perform(FULL_SECONDS, 1) if e.kind == "backbeat"])
    off = (times - 0.35) / (BAR / 4)
    off = (off - np.round(off)) * BAR / 4
    assert 0.001 < off.std() < 0.006
    assert np.abs(off).max() < 0.015


def test_a_shorter_part_is_the_beginning_of_the_longer():
    whole = perform(FULL_SECONDS, 1)
    assert perform(6.0, 1) == tuple(e for e in whole if e.time < 6.0)


def test_a_longer_part_goes_round_and_still_ends():
    events = perform(60.0, 1)
    last = events[-1]
    assert (last.voice, last.kind) == ("crash", "choke")
    assert 60.0 - QUIET_END - BAR < last.time < 60.0 - QUIET_END
    assert sum(e.voice == "snare" for e in events) > 150


def test_seeds_play_differently():
    first, second = perform(5.0, 1), perform(5.0, 2)
    assert [e.kind for e in first if e.voice == "hat"] == [
        e.kind for e in second if e.voice == "hat"
    ]
    assert [e.time for e in first] != [e.time for e in second]


@pytest.mark.parametrize("voice", LETTERS)
def test_strokes_are_numbered(voice):
    numbers = [e.number for e in perform(FULL_SECONDS, 1) if e.voice == voice]
    assert sorted(numbers) == list(range(len(numbers)))
