# SPDX-License-Identifier: GPL-3.0-or-later
"""`suppress_bleed`: takes down everything that is not this drum."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from dsp.bleed.drum import Strokes
from dsp.bleed.gains import decide_gains, gain_table
from dsp.bleed.powers import CROSSOVERS_HZ, BandLevels, Levels, measure_levels
from dsp.curves import FullBand, GainCurve, SplitBands, flat
from dsp.hits.hitmap import HitMap
from dsp.steps.base import AUTO, Decision, Scene, Step, StrokesKey
from dsp.steps.keys import strokes_of
from dsp.take import Samples
from dsp.units import Quantity

LEAD_S = 0.0015  # the gain rises within this time, and is up at the first sample of the stroke
BACK_FRAMES = 8  # the bands' filters smear a stroke this far ahead; gains there are held down
UNDER_DB = 1.0
USUAL_HZ = 200.0  # where no fundamental was found or given; common practice, no source


class SuppressBleed(Step):
    """Takes cymbals, kick and toms down between the strokes and under them.

    The drum's own spectrum and decay are learned from its strokes, the bleed's from what they do
    not explain. Between strokes the track goes down by `reduction`; within a stroke it goes down
    only in the bands, and by as much, as the bleed there exceeds the drum. Tracks named as
    `witnesses` help to tell the two apart under the strokes.
    """

    name: ClassVar[str] = "suppress_bleed"
    key_gives: ClassVar[Literal["audio", "hits"]] = "hits"

    fundamental: Annotated[float | str, Quantity("Hz", 60, 1000, words=(AUTO,))] = Field(
        AUTO, description="Fundamental of the drum; below it there is no drum, only its thump"
    )
    threshold: Annotated[float | str, Quantity("dBFS", -120, 0, words=(AUTO,))] = Field(
        AUTO,
        description="Strokes whose peak stays below are taken for bleed; `auto` is just under the "
        "softest ghost note",
    )
    reduction: Annotated[float, Quantity("dB", 0, 80)] = Field(
        18.0, description="How far down bleed may go"
    )
    bands: Literal["split", "one"] = Field(
        "split", description="`one` uses a plain full-band gain instead of eleven bands"
    )
    witnesses: tuple[Annotated[str, Field(min_length=1)], ...] = Field(
        (),
        description="Other tracks of the take (overheads, room, hat) that hear the bleed louder "
        "against the drum; they tell what sounds under the strokes",
    )
    key: StrokesKey = "hits"

    def sources(self) -> Mapping[str, str]:
        """The key, where it is a track, and the witnesses."""
        return {**super().sources(), **dict.fromkeys(self.witnesses, "audio")}

    def listen(self, audio: Samples, rate: int) -> BandLevels | None:
        """The levels of the bands; the table of gains is made on the way."""
        gain_table()
        if not self.reduction or not audio.any():
            return None
        # One thread: what finds the strokes meanwhile takes longer, and is waited for.
        return measure_levels(audio, rate, threads=1)

    def decide(self, scene: Scene) -> Decision:
        """Eleven gains, or one, every 1.3 ms, with a point at each onset."""
        hits = strokes_of(scene, self.key)
        resolved = self._resolve(hits)
        frames = len(scene.audio)
        peaks = hits.peak_dbfs
        limit = resolved.threshold
        used = np.flatnonzero(peaks >= limit) if isinstance(limit, float) else np.zeros(0, int)
        if not scene.audio.any():
            return Decision(flat(scene.rate, frames), resolved)
        if self.reduction == 0 or len(used) == 0:
            notes = () if self.reduction == 0 else (f"{self.name}: no strokes, all is bleed",)
            return Decision(flat(scene.rate, frames, -self.reduction), resolved, notes=notes)
        known = resolved.fundamental
        fundamental = known if isinstance(known, float) else USUAL_HZ
        curve = self._curve(scene, hits, used, fundamental)
        return Decision(curve, resolved)

    def _resolve(self, hits: HitMap) -> SuppressBleed:
        """Replace `auto`; where there is no drum to measure, it stays."""
        changes: dict[str, float] = {}
        if self.fundamental == AUTO and np.isfinite(hits.fundamental_hz):
            changes["fundamental"] = float(np.clip(round(hits.fundamental_hz, 2), 60, 1000))
        if self.threshold == AUTO and len(hits):
            softest = float(hits.peak_dbfs.min()) - UNDER_DB
            changes["threshold"] = float(np.clip(np.floor(softest * 10) / 10, -120, 0))
        return self.updated(**changes)

    def _curve(
        self, scene: Scene, hits: HitMap, used: NDArray[np.int64], fundamental: float
    ) -> GainCurve:
        known = scene.listened
        bands = known if isinstance(known, BandLevels) else measure_levels(scene.audio, scene.rate)
        onset = hits.onset[used]
        first = bands.frame_of(onset)
        frames = len(bands.level)
        strokes = Strokes(first, np.append(first[1:], frames), hits.strength_db[used])
        sounding = _sounding(first, bands.frame_of(hits.end[used]), frames)
        heard = self._heard(scene, bands)
        gains, drum, bleed = decide_gains(
            bands.level, bands.calm, strokes, sounding, fundamental, heard
        )
        if self.bands == "one":
            gains = _one_band(gains, drum, bleed)
        np.clip(gains, -self.reduction, 0.0, out=gains)
        at, db = _points(gains, onset, first, bands, scene.rate, len(scene.audio))
        layout = FullBand() if self.bands == "one" else SplitBands(CROSSOVERS_HZ)
        return GainCurve(scene.rate, len(scene.audio), at, db, layout)

    def _heard(self, scene: Scene, bands: BandLevels) -> list[Levels]:
        """Levels of the witnesses that are not silent, in the frames of the track."""
        heard = []
        for name in dict.fromkeys(self.witnesses):
            samples = scene.raw(name)
            if samples[bands.edges[0] : bands.edges[-1]].any():
                heard.append(measure_levels(samples, scene.rate, bands.edges).level)
        return heard


def _sounding(first: NDArray[np.int64], end: NDArray[np.int64], frames: int) -> NDArray[np.bool_]:
    """Frames in which a stroke may sound, for a start."""
    sounding = np.zeros(frames, np.bool_)
    for a, b in zip(first, end, strict=True):
        sounding[max(a - 6, 0) : b] = True
    return sounding


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
