# SPDX-License-Identifier: GPL-3.0-or-later
"""The gain that levels of track, drum and bleed lead to."""

import os

import numpy as np
import pytest

from dsp.bleed.drum import Strokes
from dsp.bleed.gains import (
    BLEED_SPREAD_DB,
    BLEED_STEPS,
    DRUM_SPREAD_DB,
    DRUM_STEPS,
    EXPONENT,
    decide_gains,
    gain_table,
)
from dsp.bleed.powers import CENTRES_HZ


def at(drum_db, bleed_db):
    """Entry of the table for drum and bleed in dB against the track."""
    row = int(np.argmin(np.abs(DRUM_STEPS - drum_db)))
    return float(gain_table()[row, int(np.argmin(np.abs(BLEED_STEPS - bleed_db)))])


def gain_twin(drum_db, bleed_db):
    """Mean of (D/P)^γ over all shares of the drum, weighed by both log-normals, in dB.

    The same integral with another rule: 20000 equal steps of the logit of the share.
    """
    logit = np.linspace(-16.0, 16.0, 20_001)
    share = 1 / (1 + np.exp(-logit))
    drum = (10 * np.log10(share) - drum_db) / DRUM_SPREAD_DB
    bleed = (10 * np.log10(1 - share) - bleed_db) / BLEED_SPREAD_DB
    weight = np.exp(-0.5 * (drum**2 + bleed**2))  # dx / (x (1 − x)) is a step of the logit
    return 20 * np.log10((weight * share**EXPONENT).sum() / weight.sum())


@pytest.mark.parametrize("bleed_db", [-40.0, -20.0, -10.0, -3.0, 0.0, 6.0])
@pytest.mark.parametrize("drum_db", [-30.0, -20.0, -10.0, -3.0, 0.0, 3.0])
def test_the_table_equals_its_twin(drum_db, bleed_db):
    assert at(drum_db, bleed_db) == pytest.approx(gain_twin(drum_db, bleed_db), abs=0.3)


def test_gains_never_lift():
    table = gain_table()
    assert np.isfinite(table).all()
    assert table.max() <= 1e-9


def test_louder_bleed_never_raises_the_gain_and_a_louder_drum_never_lowers_it():
    table = gain_table()
    # where both are likely at all: their powers add to about the track's
    drum = slice(int(np.argmin(np.abs(DRUM_STEPS + 35))), int(np.argmin(np.abs(DRUM_STEPS - 8))))
    bleed = slice(int(np.argmin(np.abs(BLEED_STEPS + 50))), int(np.argmin(np.abs(BLEED_STEPS - 8))))
    inside = table[drum, bleed]
    assert np.diff(inside, axis=0).min() >= -0.05
    assert np.diff(inside, axis=1).max() <= 0.05


def test_limits():
    assert at(0, -80) == pytest.approx(0, abs=0.05)  # all of it is the drum
    assert at(-30, 0) < -25  # all of it is bleed
    assert at(-50, 0) < at(-30, 0) < at(-10, 0)
    assert at(6, -60) == pytest.approx(0, abs=0.05)  # a softer stroke than expected, no bleed


def test_the_table_is_made_once_and_alike():
    first = gain_table()
    assert gain_table() is first
    gain_table.cache_clear()
    assert gain_table().tobytes() == first.tobytes()


def decided():
    """Gains for some strokes over bleed that comes and goes."""
    rng = np.random.default_rng(5)
    first = np.arange(100, 3000, 290)
    since = (np.arange(3100) - 100) % 290
    drum = 10 ** (-np.where(np.arange(3100) < 100, 300, since)[:, None] / 60)
    bleed = 10 ** (np.repeat(rng.normal(-4, 1, (31, 11)), 100, axis=0))
    level = np.asfortranarray(10 * np.log10(drum + bleed), dtype=np.float32)
    strokes = Strokes(first, np.append(first[1:], 3100), rng.normal(-3, 1, len(first)))
    return decide_gains(level, level, strokes, since < 100, 190.0)


def test_gains_are_the_same_bytes_whatever_the_number_of_workers(monkeypatch):
    known = decided()
    assert known[0].shape == (3100, len(CENTRES_HZ))
    assert known[0].min() < -6
    for count in (1, 3, None):
        monkeypatch.setattr(os, "cpu_count", lambda count=count: count)
        for a, b in zip(known, decided(), strict=True):
            assert a.tobytes() == b.tobytes()
