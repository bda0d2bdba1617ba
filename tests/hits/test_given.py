# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes that are given: their places stand, the rest is measured like that of found ones."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.hits import find_hits
from dsp.hits.given import hits_from
from dsp.hits.hits_file import UNKNOWN, GivenHits
from tests.hits.drums import RATE, groove, two_headed

MODES = two_headed(196.0, 1.7, -6.0)


def given(onset: list[int], velocity: int = UNKNOWN, ghost: int = UNKNOWN) -> GivenHits:
    places = np.array(onset, dtype=np.int64)
    return GivenHits(
        places, np.full(len(places), velocity), np.full(len(places), ghost), "hits.csv", "0"
    )


def test_given_strokes_measure_as_found_ones_do() -> None:
    track, onsets, _levels = groove(MODES)
    made, found = hits_from(track, RATE, given(onsets)), find_hits(track, RATE)
    assert made.onset.tolist() == onsets
    assert len(found) == len(onsets)
    np.testing.assert_allclose(made.strength_db, found.strength_db, atol=0.6)
    np.testing.assert_array_equal(made.ghost, found.ghost)
    np.testing.assert_allclose(made.peak_dbfs, found.peak_dbfs, atol=0.01)
    assert made.fundamental_hz == pytest.approx(found.fundamental_hz, abs=1.0)
    assert made.bleed_dbfs == pytest.approx(found.bleed_dbfs, abs=1.0)
    assert made.notes == ()
    assert len(made.rings) == len(found.rings)
    assert (made.end > made.onset).all()
    assert (made.end[:-1] <= made.onset[1:]).all()


def test_velocity_and_ghost_stand_as_given() -> None:
    track, onsets, _ = groove(MODES, count=6)
    made = hits_from(track, RATE, given(onsets, velocity=55, ghost=1))
    assert (made.velocity == 55).all()
    assert made.ghost.all()
    plain = hits_from(track, RATE, given(onsets))
    np.testing.assert_array_equal(made.strength_db, plain.strength_db)


def test_a_stroke_may_stand_anywhere() -> None:
    track, onsets, _ = groove(MODES, count=6)
    track[: onsets[0]] = 0.0
    places = [0, *onsets, len(track) - 1]
    made = hits_from(track, RATE, given(places))
    assert made.onset.tolist() == places
    assert np.isfinite(made.strength_db).all()
    assert np.isfinite(made.peak_dbfs).all()
    assert made.end[-1] == len(track)


def test_no_strokes_are_said_to_be_none() -> None:
    track, _, _ = groove(MODES, count=2)
    made = hits_from(track, RATE, given([]))
    assert len(made) == 0
    assert made.notes == ("no strokes in hits.csv",)


def test_strokes_in_silence_and_in_noise_do_not_fail() -> None:
    assert len(hits_from(np.zeros((RATE, 1)), RATE, given([100, 9000]))) == 2
    noise = 0.1 * np.random.default_rng(1).standard_normal((RATE, 2))
    made = hits_from(noise, RATE, given([100, 9000, 30_000]))
    assert len(made) == 3
    assert np.isfinite(made.strength_db).all()
