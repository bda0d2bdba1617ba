# SPDX-License-Identifier: GPL-3.0-or-later
"""From the audio of a track and its strokes to the gain curve that takes its bleed down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.bleed.drum import AHEAD, Strokes
from dsp.bleed.gains import decide_gains
from dsp.bleed.powers import CROSSOVERS_HZ, FRAME_S, BandLevels, Levels
from dsp.curves import FullBand, GainCurve, SplitBands
from dsp.hits.hitmap import HitMap

LEAD_S = 0.0015  # the gain rises within this time, and is up at the first sample of the stroke
BACK_FRAMES = 8  # the bands' filters smear a stroke this far ahead; gains there are held down


@dataclass(frozen=True)
class Suppressor:
    """What is the same whatever the audio: strokes and settings.

    `used` are the indices of the strokes that count, `reduction` is in dB, `frames` and `rate` are
    the track's; `split` asks for eleven bands, not for one.
    """

    hits: HitMap
    used: NDArray[np.int64]
    fundamental: float
    reduction: float
    split: bool
    frames: int
    rate: int

    def curve(self, bands: BandLevels, already: Levels | None = None) -> GainCurve:
        """Eleven gains, or one, every 1.3 ms, with a point at each onset.

        `bands` are the levels of the audio. `already` (frames, bands) dB, 0 or less, is how far
        bleed has been taken down before: gains go down by `reduction` less that.
        """
        onset = self.hits.onset[self.used]
        first = bands.frame_of(onset)
        following = np.append(first[1:], len(bands.level))
        strokes = Strokes(first, following, self.hits.strength_db[self.used])
        gains, drum, bleed = decide_gains(
            bands.level, bands.calm, strokes, ~self.silent(bands), self.fundamental
        )
        if not self.split:
            gains = _one_band(gains, drum, bleed)
        least = -self.reduction - (0.0 if already is None else already)
        np.clip(gains, least, 0.0, out=gains)
        at, db = _points(gains, onset, first, bands, self.rate, self.frames)
        layout = SplitBands(CROSSOVERS_HZ) if self.split else FullBand()
        return GainCurve(self.rate, self.frames, at, db, layout)

    def silent(self, bands: BandLevels) -> NDArray[np.bool_]:
        """Frames in which no stroke sounds, for a start."""
        silent = np.ones(len(bands.level), np.bool_)
        first, end = (bands.frame_of(at[self.used]) for at in (self.hits.onset, self.hits.end))
        for a, b in zip(first, end, strict=True):
            silent[max(a - AHEAD, 0) : b] = False
        return silent

    def struck(self, bands: BandLevels, seconds: float) -> NDArray[np.bool_]:
        """Frames within so many seconds after an onset."""
        struck = np.zeros(len(bands.level), np.bool_)
        for first in bands.frame_of(self.hits.onset[self.used]):
            struck[first : first + round(seconds / FRAME_S)] = True
        return struck


def _one_band(gains: Levels, drum: Levels, bleed: Levels) -> Levels:
    """One gain for all bands: the power they keep, of the power that is there."""
    there = 10 ** (0.1 * drum) + 10 ** (0.1 * bleed)
    kept = (there * 10 ** (0.1 * gains)).sum(axis=1) / there.sum(axis=1)
    return np.asarray(10 * np.log10(kept + 1e-12), dtype=np.float32)[:, None]


def _points(
    gains: Levels,
    onset: NDArray[np.int64],
    first: NDArray[np.int64],
    bands: BandLevels,
    rate: int,
    frames: int,
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Curve points: the middle of each frame, and around each onset a sharp rise.

    Frames just ahead of an onset already carry the stroke, smeared by the bands' filters: their
    gains are held at what was there before, so that nothing opens early.
    """
    lead = max(round(LEAD_S * rate), 1)
    at = bands.middles
    hop = int(bands.edges[1] - bands.edges[0])
    keep = np.ones(len(gains), np.bool_)
    extra_at, extra_db = [], []
    for sample, frame in zip(onset, first, strict=True):
        back = max(int(frame) - BACK_FRAMES, 0)
        opened = gains[frame + 1 : frame + 4]
        opened = opened.max(axis=0) if len(opened) else gains[frame].copy()
        np.minimum(gains[back:frame], gains[back], out=gains[back:frame])
        low, high = np.searchsorted(at, [sample - lead - hop + 1, sample + 1])
        keep[low:high] = False
        if sample - lead > 0:
            extra_at.append(int(sample) - lead)
            extra_db.append(gains[max(int(frame) - 2, 0)])
        extra_at.append(int(sample))
        extra_db.append(opened)
    where = np.concatenate([at[keep], np.array(extra_at, np.int64)])
    values = np.vstack([gains[keep], np.array(extra_db, np.float32)])
    order = np.argsort(where, kind="stable")
    where, values = where[order], values[order]
    rising = np.append(np.diff(where) > 0, True) & (where < frames)
    where, values = where[rising], values[rising]
    return _pruned(where, values)


def _pruned(at: NDArray[np.int64], db: Levels) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Drop points between equal neighbours."""
    same = (db[1:] == db[:-1]).all(axis=1)
    keep = np.ones(len(at), np.bool_)
    keep[1:-1] = ~(same[:-1] & same[1:])
    return at[keep], np.ascontiguousarray(db[keep], dtype=np.float64)
