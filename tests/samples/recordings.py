# SPDX-License-Identifier: GPL-3.0-or-later
"""Recordings of single strokes as files, and sets cut from them; each made once."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

from dsp.audio import SampleFormat, write_track
from dsp.samples.survey import survey_strokes
from dsp.take import Samples
from tests.open_takes import singles

RATE = singles.RATE


@cache
def recording(snare="snare soft", seed=0):
    return singles.make(snare, seed)


@cache
def survey(snare="snare soft", seed=0, stages=7, alternates=2):
    made = recording(snare, seed)
    names = tuple(made.tracks)
    return survey_strokes(names, lambda name: made.tracks[name][:, None], RATE, stages, alternates)


def nearest(made, sample):
    """The true stroke nearest to a sample of the close track."""
    return min(made.strokes, key=lambda stroke: abs(stroke.arrival["close"] - sample))


def write(folder: Path, tracks, subtype="pcm24") -> dict[str, Path]:
    files = {}
    for name, samples in tracks.items():
        files[name] = folder / f"{name}.wav"
        sound = samples if samples.ndim == 2 else samples[:, None]
        write_track(files[name], sound, RATE, SampleFormat("wav", subtype))
    return files


def played(levels_db, spacing_s=0.7, seed=1, microphones=2, noise_db=-80.0) -> dict[str, Samples]:
    """A quick drum struck at levels: strokes of 0.3 s out of noise, `close` and the far ones.

    Each far microphone hears it 100 samples later than the one before. The first stroke arrives
    at 0.3 s.
    """
    rng = np.random.default_rng(seed)
    frames = round((0.6 + spacing_s * len(levels_db)) * RATE)
    dry = np.zeros(frames)
    for number, level in enumerate(levels_db):
        at = starts(len(levels_db), spacing_s)[number]
        dry[at : at + round(0.3 * RATE)] += 10 ** (level / 20) * stroke(rng)
    tracks = {}
    for number in range(microphones):
        name = "close" if number == 0 else f"far{number}"
        noise = 10 ** (noise_db / 20) * rng.standard_normal(frames)
        heard = np.zeros(frames)
        heard[100 * number :] = dry[: frames - 100 * number]
        tracks[name] = heard + noise
    return tracks


def starts(count, spacing_s=0.7):
    """First samples of `played` strokes."""
    return [round((0.3 + spacing_s * number) * RATE) for number in range(count)]


def stroke(rng):
    """A stroke of 0.3 s that starts at its first sample: 196 Hz, a partial, wires."""
    time = np.arange(round(0.3 * RATE)) / RATE
    body = np.sin(2 * np.pi * 196 * (1 + rng.uniform(-0.005, 0.005)) * time + 0.5)
    body = (body + 0.4 * np.sin(2 * np.pi * 430 * time + 1.0)) * np.exp(-time / 0.045)
    wires = 0.4 * rng.standard_normal(len(time)) * np.exp(-time / 0.03)
    return 0.4 * (body + wires) * np.minimum((0.3 - time) / 0.02, 1.0)
