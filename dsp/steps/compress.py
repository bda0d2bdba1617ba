# SPDX-License-Identifier: GPL-3.0-or-later
"""`compress`: less difference between loud and soft."""

from __future__ import annotations

import math
from typing import Annotated, ClassVar, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from dsp.curves import GainCurve, flat
from dsp.hits.hitmap import HitMap, Positions, Values
from dsp.kernels.compress import draw_lines, reduction
from dsp.moves import within
from dsp.steps.base import AUTO, Decision, Key, Scene, Step
from dsp.steps.detect import Detector
from dsp.steps.keys import sound_of
from dsp.take import Samples
from dsp.units import Quantity

UNDER_TYPICAL_DB = 6.0  # `threshold: auto` lies this far under the typical stroke
RMS_WINDOW_MS = 5.0
LINE_DB = 0.005  # straight lines of the curve stay this near to the gain of each sample
LOWEST_DBFS, HIGHEST_DBFS = -100.0, 24.0
MAKEUP_DB = 36.0


class Compress(Step):
    """Takes down what is above a threshold, by `ratio`, and lifts the whole by `makeup`.

    Feed-forward, with the gain computer and its smoothing in decibels: the static curve with a
    quadratic knee and the smooth decoupled smoothing of Giannoulis, Massberg and Reiss (JAES 60(6),
    2012). `attack` and `release` are time constants: 63.2 % of the way, in dB (10 to 90 % takes 2.2
    times as long). The attack also smooths the way back, so a release begins later by about as
    much. All channels get the same gain, so that a stereo image stays where it is; there is no way
    to unlink them, because the channels of a track move together.
    """

    name: ClassVar[str] = "compress"

    threshold: Annotated[
        float | str, Quantity("dBFS", LOWEST_DBFS, HIGHEST_DBFS, words=(AUTO,))
    ] = Field(
        AUTO,
        description="Level of the key above which the gain goes down; `auto`: 6 dB under the "
        "level that the typical full stroke reaches in the detector",
    )
    ratio: Annotated[float, Quantity(":1", 1, 100)] = Field(
        4.0,
        description="Decibels above the threshold in the key for each that is left; 1:1 does "
        "nothing, 20:1 and more limits",
    )
    knee: Annotated[float, Quantity("dB", 0, 48)] = Field(
        6.0, description="Width of the range around the threshold in which the ratio comes in"
    )
    attack: Annotated[float, Quantity("ms", 0.01, 500)] = Field(
        10.0, description="Time constant of the way down"
    )
    release: Annotated[float, Quantity("ms", 1, 5000)] = Field(
        100.0, description="Time constant of the way back"
    )
    lead: Annotated[float, Quantity("ms", 0, 100)] = Field(
        0.0,
        description="The gain moves this much ahead of the key: with about the attack, the gain "
        "is down when the stroke begins, and its first moments are taken down with the rest",
    )
    makeup: Annotated[float | str, Quantity("dB", -24, MAKEUP_DB, words=(AUTO,))] = Field(
        0.0,
        description="Gain on the whole track afterwards; `auto`: what brings the peak of the "
        "typical full stroke back to where it was",
    )
    detector: Literal["peak", "rms"] = Field(
        "peak",
        description="`peak`: the level is that of each sample; `rms`: the root mean square over "
        "`window`, in which a full-scale sine is at −3 dBFS",
    )
    window: Annotated[float, Quantity("ms", 0.1, 1000)] | None = Field(
        None, description="Time constant of the mean square; `rms` only, 5 ms unless given"
    )
    link: Literal["loudest", "mean"] = Field(
        "loudest",
        description="What counts of a key with many channels: the loudest of them, or the mean of "
        "their powers",
    )
    key: Key = Field(
        "own",
        description="What drives it: `own` (the sound of this track as it reaches the step), "
        "`hits` (the same, but only while a stroke sounds, so that bleed does not move the gain), "
        "or the name of another track (its sound as recorded)",
    )

    @model_validator(mode="after")
    def _window_has_a_meaning(self) -> Self:
        if self.window is not None and self.detector != "rms":
            raise ValueError("found window with the peak detector; accepted: window with rms only")
        return self

    def decide(self, scene: Scene) -> Decision:
        """The gain of every sample, drawn by few points."""
        step = (
            self if self.window or self.detector == "peak" else self.updated(window=RMS_WINDOW_MS)
        )
        only = scene.hits if self.key == "hits" else None
        heard = sound_of(scene, self.key)
        detector = Detector(heard, scene.rate, self.link, step.window or 0.0, only)
        step, notes = step._with_threshold(detector, scene.hits)
        frames = len(scene.audio)
        if isinstance(step.threshold, str) or step.ratio == 1.0:
            at, db = np.zeros(1, np.int64), np.zeros(1)
        else:
            at, db = step._lines(detector, frames)
        if step.makeup == AUTO:
            step = step.updated(makeup=_restoring(at, db, scene.audio, scene.hits))
        if not db.any():
            return Decision(flat(scene.rate, frames, float(step.makeup)), step, notes=notes)
        db += float(step.makeup)
        return Decision(GainCurve(scene.rate, frames, at, db[:, None]), step, notes=notes)

    def _with_threshold(self, detector: Detector, hits: HitMap) -> tuple[Compress, tuple[str, ...]]:
        """The step with its threshold as a number, and what the user should know about it."""
        if self.threshold != AUTO:
            return self, ()
        levels = detector.loudest_db(hits)[~hits.ghost]
        levels = levels[np.isfinite(levels)]
        if len(levels) == 0:
            return self, ("no full stroke is heard in the key, so there is no threshold",)
        wanted = round(float(np.median(levels)) - UNDER_TYPICAL_DB, 2)
        return self.updated(threshold=min(max(wanted, LOWEST_DBFS), HIGHEST_DBFS)), ()

    def _lines(self, detector: Detector, frames: int) -> tuple[Positions, Values]:
        """Points (p,) and gains in dB (p,), before make-up."""
        keep_attack, keep_release = (
            math.exp(-1000.0 / (ms * detector.rate)) for ms in (self.attack, self.release)
        )
        shape = (float(self.threshold), 1.0 - 1.0 / self.ratio, self.knee)
        smoothing, line = np.zeros(2), np.empty(5)
        points, gains = [], []
        first = 0
        for power in detector.chunks():
            down = np.empty(len(power))
            reduction(power, *shape, keep_attack, keep_release, smoothing, down)
            at, db = np.empty(len(power) + 2, np.int64), np.empty(len(power) + 2)
            count = draw_lines(down, first, LINE_DB, line, at, db)
            points.append(at[:count].copy())
            gains.append(-db[:count])
            first += len(power)
        if line[0] < first - 1:
            points.append(np.array([first - 1]))
            gains.append(np.array([-smoothing[1]]))
        at = np.concatenate(points) - round(self.lead * detector.rate / 1000)
        return within(at, np.concatenate(gains), frames)


def _restoring(at: Positions, db: Values, audio: Samples, hits: HitMap) -> float:
    """Make-up in dB that gives the typical full stroke back what its peak has lost."""
    peaks = [
        onset + int(np.argmax(np.abs(audio[onset:end]).max(axis=1)))
        for onset, end, ghost in zip(hits.onset, hits.end, hits.ghost, strict=True)
        if end > onset and not ghost
    ]
    if not peaks:
        return 0.0
    return min(round(-float(np.median(np.interp(peaks, at, db))), 2) + 0.0, MAKEUP_DB)
