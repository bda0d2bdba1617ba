# SPDX-License-Identifier: GPL-3.0-or-later
"""What makes a stroke useless is seen, and what does not is let pass."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.samples import faults
from dsp.samples.envelopes import measure_envelope
from dsp.samples.faults import inspect_strokes
from dsp.samples.level import stroke_level_dbfs
from tests.open_takes import speech
from tests.samples import recordings

RATE = recordings.RATE
COUNT = 10
STARTS = recordings.starts(COUNT)


def inspected(add=None, onsets=None, frames=None):
    """Ten like strokes in two microphones; `add(tracks)` adds what does not belong."""
    tracks = recordings.played([-6.0] * COUNT)
    if add:
        add(tracks)
    tracks = {name: sound[:frames, None] for name, sound in tracks.items()}
    onset = np.array(STARTS if onsets is None else onsets)
    levels = np.array([stroke_level_dbfs(tracks["close"], at, RATE) for at in onset])
    envelopes = {name: measure_envelope(sound, RATE) for name, sound in tracks.items()}
    return inspect_strokes(envelopes, onset, levels, len(tracks["close"]), RATE)


def put(track, at, sound):
    track[at : at + len(sound)] += sound


def test_clean_strokes_have_no_fault_and_end_where_they_have_decayed():
    found = inspected()
    assert found.fault == ("",) * COUNT
    length = found.end - np.array(STARTS)
    assert (length > 0.2 * RATE).all()
    assert (length < 0.4 * RATE).all()


@pytest.mark.parametrize(("later_s", "by_db"), [(0.025, 0), (0.05, -6), (0.1, -9), (0.15, -12)])
def test_a_second_arrival_is_a_double_stroke(later_s, by_db):
    def bounce(tracks):
        one = 10 ** ((by_db - 6) / 20) * recordings.stroke(np.random.default_rng(9))
        put(tracks["close"], STARTS[4] + round(later_s * RATE), one)

    found = inspected(bounce)
    assert found.fault[4] == faults.DOUBLE
    assert [f for i, f in enumerate(found.fault) if i != 4] == [""] * (COUNT - 1)


@pytest.mark.parametrize("microphone", ["close", "far1"])
def test_talk_in_a_tail_is_heard_in_any_microphone(microphone):
    talk = 0.01 * speech.say(2, np.random.default_rng(2))
    found = inspected(lambda tracks: put(tracks[microphone], STARTS[3] + 9600, talk))
    assert found.fault[3] in (faults.COMPANY, faults.DOUBLE)
    assert found.fault[2] == ""


def test_what_sounds_before_a_stroke_is_seen():
    hiss = 0.003 * np.random.default_rng(2).standard_normal(9600)
    found = inspected(lambda tracks: put(tracks["far1"], STARTS[5] - 9000, hiss))
    assert found.fault[5] == faults.NOT_FROM_SILENCE


def test_a_neighbour_too_soon_and_a_tail_without_end():
    tracks = recordings.played([-6.0] * COUNT)
    close = tracks["close"]
    put(close, STARTS[2] + 9600, recordings.stroke(np.random.default_rng(1)))
    onsets = sorted([*STARTS, STARTS[2] + 9600])
    found = inspected(lambda made: made.update(close=close), onsets)
    assert found.fault[2] in (faults.NEXT_TOO_SOON, faults.COMPANY)
    assert found.fault[3] == faults.NOT_FROM_SILENCE
    cut = inspected(frames=STARTS[-1] + 4000)
    assert cut.fault[-1] == faults.CUT_OFF
    assert cut.end[-1] == -1


def test_the_second_of_two_strokes_has_a_reason_too():
    onsets = sorted([*STARTS, STARTS[6] + 2400])
    found = inspected(
        lambda tracks: put(
            tracks["close"], STARTS[6] + 2400, recordings.stroke(np.random.default_rng(8))
        ),
        onsets,
    )
    assert found.fault[6] == faults.DOUBLE
    assert found.fault[7] == faults.NOT_FROM_SILENCE
