# SPDX-License-Identifier: GPL-3.0-or-later
"""Levels of strokes against strokes whose level is known, alone and among other sounds."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.samples.level import SILENCE_DBFS, stroke_level_dbfs
from dsp.samples.stroke_levels import stroke_levels_dbfs
from tests.hits.drums import RATE, groove, stroke, two_headed

MODES = two_headed(196.0, 1.7, -6.0)


def own_levels(levels_db: list[float]) -> np.ndarray:
    """Level of each stroke of a groove, alone."""
    alone = [stroke(MODES, level, n)[:, None] for n, level in enumerate(levels_db)]
    return np.array([stroke_level_dbfs(one, 0, RATE) for one in alone])


def test_strokes_alone_have_the_level_of_the_shared_measure() -> None:
    track, onsets, levels = groove(MODES)
    found = stroke_levels_dbfs(track, np.array(onsets), RATE)
    np.testing.assert_allclose(found, own_levels(levels), atol=0.4)


def test_bleed_is_taken_out() -> None:
    track, onsets, levels = groove(MODES, count=40, bleed_db=-38.0, apart_s=0.3)
    known = own_levels(levels)
    found = stroke_levels_dbfs(track, np.array(onsets), RATE) - known
    plain = np.array([stroke_level_dbfs(track, at, RATE) for at in onsets]) - known
    soft = np.array(levels) < -14
    assert np.median(plain[soft]) > 1.0  # what is to be taken out
    assert abs(np.median(found[soft])) < 0.5
    assert np.abs(found[soft]).mean() < 0.5 * np.abs(plain[soft]).mean()
    assert np.abs(found[~soft]).max() < 0.6


def test_gain_moves_levels_by_itself_and_channels_are_averaged_in_power() -> None:
    track, onsets, _ = groove(MODES, count=8)
    at = np.array(onsets)
    plain = stroke_levels_dbfs(track, at, RATE)
    np.testing.assert_allclose(stroke_levels_dbfs(0.1 * track, at, RATE), plain - 20, atol=1e-6)
    both = np.hstack([track, track])
    np.testing.assert_allclose(stroke_levels_dbfs(both, at, RATE), plain, atol=1e-9)
    one = np.hstack([track, np.zeros_like(track)])
    np.testing.assert_allclose(stroke_levels_dbfs(one, at, RATE), plain - 3.0103, atol=1e-3)


def test_strokes_at_the_ends_and_in_silence_have_a_level() -> None:
    track, onsets, _ = groove(MODES, count=4)
    at = np.array([0, *onsets, len(track) - 1])
    assert np.isfinite(stroke_levels_dbfs(track, at, RATE)).all()
    silent = stroke_levels_dbfs(np.zeros((RATE, 1)), np.array([0, 500]), RATE)
    assert (silent == SILENCE_DBFS).all()
    assert len(stroke_levels_dbfs(track, np.zeros(0, np.int64), RATE)) == 0


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_the_rate_does_not_matter(rate: int) -> None:
    sound = [stroke(MODES, level, 3, rate) for level in (0.0, -6.0, -14.0)]
    gap = rate // 2
    track = np.concatenate([np.zeros(gap), *sound])[:, None]
    at = gap + np.array([0, 1, 2]) * len(sound[0])
    known = [stroke_level_dbfs(one[:, None], 0, rate) for one in sound]
    np.testing.assert_allclose(stroke_levels_dbfs(track, at, rate), known, atol=0.5)
