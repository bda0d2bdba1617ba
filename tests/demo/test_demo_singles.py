# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo's recording of single strokes."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from dsp.demo.singles import EACH, LEVELS_DB, play_singles
from dsp.demo.take import make_singles
from dsp.errors import UsageError


@pytest.fixture(scope="module")
def played():
    return make_singles()


def test_every_level_is_struck_often_enough_and_left_to_ring():
    events = play_singles(1)
    singles = [event for event in events if event.kind == "single"]
    assert len(singles) == len(LEVELS_DB) * EACH
    times = np.array([event.time for event in events])
    assert (np.diff(times) > 0).all()
    apart = [b.time - a.time for a, b in pairwise(events)]
    assert all(gap > 0.65 for gap, a in zip(apart, events, strict=False) if a.kind == "single")
    assert {event.kind for event in events} == {"single", "flam", "bounce"}


def test_truth_is_of_the_recording(played):
    for stroke in played.strokes:
        at = stroke.samples["top"]
        stem = played.stems["top"]["snare"]
        assert stem[at].any()
        if stroke.kind == "single":
            assert np.abs(stem[at - 200 : at]).max() < 1e-6  # the end of the stroke before
    singles = [stroke for stroke in played.strokes if stroke.kind == "single"]
    peaks = [stroke.peak_dbfs["top"] for stroke in singles]
    assert np.corrcoef(peaks, [stroke.level_db for stroke in singles])[0, 1] > 0.98


def test_same_seed_same_strokes_and_not_those_of_the_song(played):
    again = make_singles()
    assert again.strokes == played.strokes
    assert np.array_equal(again.take.tracks["room"], played.take.tracks["room"])
    assert play_singles(2) != play_singles(1)
    with pytest.raises(UsageError, match="demo seed -1"):
        make_singles(seed=-1)
    with pytest.raises(UsageError, match="sample rate 8000 Hz"):
        make_singles(rate=8000)
