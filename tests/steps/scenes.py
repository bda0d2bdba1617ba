# SPDX-License-Identifier: GPL-3.0-or-later
"""Synthetic strokes with known onsets, and scenes for steps to decide on."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from dsp.carrying import carry_out
from dsp.hits.hitmap import HitMap
from dsp.steps.base import Decision, Scene, Step
from dsp.take import Samples

RATE = 48_000
THREE_STRENGTHS_DB = (0.0, -8.0, -20.0)
GHOST_DB = -14.0


def stroke(rate: int = RATE, seconds: float = 0.35, seed: int = 1) -> NDArray[np.float64]:
    """One stroke, peak 1, first sample not zero: three modes of a drum and its wires' noise."""
    time = np.arange(round(seconds * rate)) / rate
    modes = [(196.0, 0.055, 1.0), (331.0, 0.04, 0.5), (540.0, 0.09, 0.35)]
    sound = sum(a * np.exp(-time / tau) * np.cos(2 * np.pi * f * time) for f, tau, a in modes)
    noise = np.random.default_rng(seed).standard_normal(len(time))
    sound = sound + 0.5 * np.exp(-time / 0.05) * noise
    return np.asarray(sound / np.abs(sound).max())


def take_of(
    times_s: list[float],
    levels_db: list[float],
    *,
    seconds: float,
    rate: int = RATE,
    bleed_dbfs: float = -120.0,
    channels: int = 1,
) -> tuple[Samples, HitMap]:
    """Audio (frames, channels) with strokes at given times and peaks, and its true hit map."""
    frames = round(seconds * rate)
    audio = np.zeros(frames)
    onset = np.array([round(t * rate) for t in times_s], np.int64)
    for i, (at, level) in enumerate(zip(onset, levels_db, strict=True)):
        sound = 10 ** (level / 20) * stroke(rate, seed=i + 1)[: frames - at]
        audio[at : at + len(sound)] += sound
    noise = np.random.default_rng(99).uniform(-1, 1, frames)
    audio += 10 ** (bleed_dbfs / 20) * noise
    latest = np.append(onset[1:], frames)
    levels = np.array(levels_db, float)
    # the slowest mode begins 9 dB under the peak and falls by 8.686 dB in each 0.09 s: at the end
    # it is 9 dB under the bleed
    heard_s = np.clip((levels - bleed_dbfs) / 8.686 * 0.09, 0.02, 0.35)
    end = np.minimum(onset + np.round(heard_s * rate).astype(np.int64), latest)
    loudest = levels.max() if len(levels) else 0.0
    relative = levels - loudest
    hits = HitMap(
        rate=rate,
        frames=frames,
        onset=onset,
        end=end,
        peak_dbfs=levels,
        strength_db=relative,
        velocity=np.clip(np.rint(127 * 10 ** (relative / 40)), 1, 127).astype(np.int64),
        ghost=relative <= GHOST_DB,
        fundamental_hz=196.0 if len(levels) else float("nan"),
        bleed_dbfs=bleed_dbfs,
    )
    return np.repeat(audio[:, None], channels, axis=1), hits


def scene_of(audio: Samples, hits: HitMap, others: dict[str, Samples] | None = None) -> Scene:
    """A scene for track `top`; other tracks have the same strokes, 0.5 ms later."""
    tracks = {"top": audio, **(others or {})}
    late = round(0.0005 * hits.rate)
    frames = hits.frames
    moved = replace(
        hits,
        onset=np.minimum(hits.onset + late, frames - 1),
        end=np.minimum(hits.end + late, frames),
    )
    return Scene(
        track="top",
        rate=hits.rate,
        audio=audio,
        hits=hits,
        tracks=tuple(tracks),
        raw=tracks.__getitem__,
        hits_of=lambda name: hits if name == "top" else moved,
        allow_plugins=True,
    )


def treated(step: Step, scene: Scene) -> tuple[Samples, Decision]:
    """What the step makes of the scene's audio, and its decision."""
    decision = step.decide(scene)
    out = scene.audio.copy()
    carry_out(out, decision)
    return out, decision


def gain_db(decision: Decision, positions: NDArray[np.int64] | int, band: int = 0) -> Samples:
    """Gain in dB at sample positions."""
    return decision.curve.db_at(np.atleast_1d(np.asarray(positions)))[:, band]
