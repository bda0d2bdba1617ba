# SPDX-License-Identifier: GPL-3.0-or-later
"""A sample set with known truth: single strokes of an open recording in the room of a take."""

from __future__ import annotations

import itertools
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from dsp.audio import SampleFormat, write_track
from dsp.samples.level import stroke_level_dbfs
from dsp.samples.sample_set import MANIFEST, Sample, SampleSet, manifest_bytes
from tests.open_takes import room, sources, strokes, takes
from tests.open_takes.plans import ALL
from tests.open_takes.takes import OpenTake

RATE = sources.RATE
STAGES_DB = (-27.0, -22.0, -17.0, -12.5, -8.5, -4.5, -1.0)
ALTERNATES = 2
LEAD = 2
MICROPHONES = {"close": "top", "overhead": "overhead", "room": "room"}
LENGTH_S = 0.8


def full_level(take: OpenTake) -> float:
    """Level in dBFS that a full stroke of the take has on its close microphone."""
    levels = [
        stroke_level_dbfs(take.snare["top"][:, None], one.arrival["top"], take.rate) - one.level_db
        for one in take.strokes
        if one.level_db > -6
    ]
    return float(np.median(levels))


def make_set(folder: Path, take: OpenTake, *, polarity: int = 1, seed: int = 9) -> SampleSet:
    """Write a set of the drum of `take`, recorded in its room at its gains: 7 × 2 × 3 files."""
    plan = ALL[take.name]
    paths = room.paths(room.Room(plan.walls))["snare"]
    rng = np.random.default_rng(seed)
    folder.mkdir()
    wanted = full_level(take)
    samples = []
    for stage, level_db in enumerate(STAGES_DB, start=1):
        for alternate in range(1, ALTERNATES + 1):
            level = level_db + float(rng.uniform(-0.7, 0.7))
            dry = strokes.play(sources.load(plan.snare), level, rng)
            heard = {
                name: oaconvolve(dry, paths[mic].response) for name, mic in MICROPHONES.items()
            }
            at = paths["top"].delay
            close = heard["close"][:, None]
            gain = 10 ** ((wanted + level - stroke_level_dbfs(close, at, RATE)) / 20)
            files = {}
            for name, sound in heard.items():
                files[name] = f"{name}_{stage}_{alternate}.wav"
                part = polarity * gain * sound[at - LEAD :][: round(LENGTH_S * RATE), None]
                write_track(folder / files[name], part, RATE, SampleFormat("wav", "float32"))
            low, high = _velocities(stage)
            samples.append(Sample(stage, alternate, low, high, wanted + level, 0.0, LEAD, 0, files))
    full = max(sample.level_dbfs for sample in samples)
    made = SampleSet(folder, take.name, RATE, LEAD, tuple(MICROPHONES), tuple(samples), None, full)
    (folder / MANIFEST).write_bytes(manifest_bytes(made))
    return made


def strokes_alone(take: OpenTake) -> list[NDArray[np.float64]]:
    """Each snare stroke of the take as its close microphone hears it alone, from its arrival on."""
    plan = ALL[take.name]
    rng = np.random.default_rng([take.seed, zlib.crc32(take.name.encode())])
    notes = sorted(takes._humanly(plan.groove(rng), rng), key=lambda note: note.at_s)
    played = [one for one in takes._perform(notes, plan, rng) if one.place == "snare"]
    path = room.paths(room.Room(plan.walls))["snare"]["top"]
    heard = [oaconvolve(one.sound, path.response) for one in played]
    total = np.zeros(max(one.at + len(sound) for one, sound in zip(played, heard, strict=True)))
    for one, sound in zip(played, heard, strict=True):
        total[one.at : one.at + len(sound)] += sound
    recorded = take.snare["top"]
    total = total[: len(recorded)]
    gain = float(total @ recorded[: len(total)] / (total @ total))
    assert np.abs(gain * total - recorded[: len(total)]).max() < 1e-12  # it is the same take
    return [gain * sound[path.delay :] for sound in heard]


def _velocities(stage: int) -> tuple[int, int]:
    """Ranges split half-way between the stages' levels."""
    middles = [(a + b) / 2 for a, b in itertools.pairwise(STAGES_DB)]
    splits = [round(127 * 10 ** ((middle - STAGES_DB[-1]) / 40)) for middle in middles]
    low = 1 if stage == 1 else splits[stage - 2] + 1
    high = 127 if stage == len(STAGES_DB) else splits[stage - 1]
    return low, high
