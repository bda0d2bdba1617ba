# SPDX-License-Identifier: GPL-3.0-or-later
"""`suppress_bleed`: takes down everything that is not this drum."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from dsp.bleed.gains import gain_table
from dsp.bleed.powers import BandLevels, measure_levels
from dsp.bleed.suppressor import Suppressor
from dsp.curves import flat
from dsp.hits.hitmap import HitMap
from dsp.steps.base import AUTO, Decision, Scene, Step, StrokesKey
from dsp.steps.keys import strokes_of
from dsp.take import Samples
from dsp.units import Quantity

UNDER_DB = 1.0
USUAL_HZ = 200.0  # where no fundamental was found or given; common practice, no source


class SuppressBleed(Step):
    """Takes cymbals, kick and toms down between the strokes and under them.

    The drum's own spectrum and decay are learned from its strokes, the bleed's from what they do
    not explain. Between strokes the track goes down by `reduction`; within a stroke it goes down
    only in the bands, and by as much, as the bleed there exceeds the drum. What tracks named as
    `witnesses` predict of the bleed is subtracted first, wave for wave, also under the strokes; the
    gains that are shown, and `reduction`, count both.
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
        "against the drum; their place, delay and level do not matter",
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
        return self._take_down(scene, hits, used, resolved)

    def _take_down(
        self, scene: Scene, hits: HitMap, used: NDArray[np.int64], resolved: SuppressBleed
    ) -> Decision:
        """Decide for audio that sounds, by strokes that there are."""
        known = scene.listened
        bands = known if isinstance(known, BandLevels) else measure_levels(scene.audio, scene.rate)
        fundamental = resolved.fundamental
        suppressor = Suppressor(
            hits,
            used,
            fundamental if isinstance(fundamental, float) else USUAL_HZ,
            self.reduction,
            self.bands == "split",
            len(scene.audio),
            scene.rate,
        )
        witnesses = self._sounding(scene, bands)
        if not witnesses:
            return Decision(suppressor.curve(bands), resolved)
        from dsp.bleed.witnessed import hears_bleed, suppress_with_witnesses

        deaf = [name for name, one in witnesses.items() if not hears_bleed(one, bands, suppressor)]
        said = tuple(
            f"{name} hears the drum better than its bleed: not listened to" for name in deaf
        )
        heard = [one for name, one in witnesses.items() if name not in deaf]
        if not heard:
            return Decision(suppressor.curve(bands), resolved, notes=said)
        done = suppress_with_witnesses(scene.audio, heard, bands, suppressor, scene.told)
        return Decision(done.total, resolved, treatment=done.treatment, notes=said)

    def _resolve(self, hits: HitMap) -> SuppressBleed:
        """Replace `auto`; where there is no drum to measure, it stays."""
        changes: dict[str, float] = {}
        if self.fundamental == AUTO and np.isfinite(hits.fundamental_hz):
            changes["fundamental"] = float(np.clip(round(hits.fundamental_hz, 2), 60, 1000))
        if self.threshold == AUTO and len(hits):
            softest = float(hits.peak_dbfs.min()) - UNDER_DB
            changes["threshold"] = float(np.clip(np.floor(softest * 10) / 10, -120, 0))
        return self.updated(**changes)

    def _sounding(self, scene: Scene, bands: BandLevels) -> dict[str, Samples]:
        """Witnesses that sound while the track does, without channels that are silent then."""
        found = {}
        for name in dict.fromkeys(self.witnesses):
            samples = scene.raw(name)
            sounding = samples[bands.edges[0] : bands.edges[-1]].any(axis=0)
            if sounding.any():
                found[name] = samples[:, sounding]
        return found
