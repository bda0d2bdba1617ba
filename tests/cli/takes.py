# SPDX-License-Identifier: GPL-3.0-or-later
"""Short takes and recipes for the tests of the command line and of printing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from dsp.audio import Chunk, SampleFormat, build_bext, build_cue, write_track
from dsp.take import Samples

RATE = 48_000
TIME_REFERENCE = 1_728_000_123
CUES = (240, 48_000)
PAIR = """\
drumprint: 1
about: A pair for tests
tracks:
  top:
    steps:
      - ride_level: {share: 60 %}
      - level: {gain: -2 dB}
  bottom:
    key: top
    steps:
      - shape_transient: {attack: -3 dB, sustain: 2 dB}
      - level: {polarity: invert, delay: 2 samples}
"""
ONE = "drumprint: 1\ntracks:\n  top:\n    steps:\n      - level: {gain: -3 dB}\n"
NEUTRAL = "drumprint: 1\ntracks:\n  top:\n    steps: []\n"


def strokes(
    seconds: float = 3.0, rate: int = RATE, seed: int = 1, first: float = 0.1, gain: float = 0.6
) -> Samples:
    """A drum at 196 Hz, four strokes a second of changing strength, over faint noise; (n, 1)."""
    rng = np.random.default_rng(seed)
    count = round(seconds * rate)
    sound = 1e-3 * rng.standard_normal(count)
    time = np.arange(rate // 2) / rate
    body = np.sin(2 * np.pi * 196 * time) * np.exp(-time / 0.05)
    wires = rng.standard_normal(len(time)) * np.exp(-time / 0.03)
    for number, at in enumerate(np.arange(first, seconds, 0.25)):
        start = round(float(at) * rate)
        blow = gain * (1.0, 0.5, 0.8, 0.12)[number % 4] * (0.6 * body + 0.3 * wires)
        part = blow[: count - start]
        sound[start : start + len(part)] += part
    return np.clip(sound, -1, 0.999)[:, None]


def chunks() -> tuple[Chunk, ...]:
    """Metadata that a print must carry over."""
    bext = build_bext("Take 7", "tests", "2026-01-01", "10-00-00", TIME_REFERENCE)
    return (bext, build_cue(CUES))


def write(
    path: Path,
    samples: Samples,
    rate: int = RATE,
    subtype: str = "pcm24",
    carried: Sequence[Chunk] = (),
) -> Path:
    """Write a WAV file; return its path."""
    write_track(path, samples, rate, SampleFormat("wav", subtype), carried)  # type: ignore[arg-type]
    return path


def pair(folder: Path) -> dict[str, Path]:
    """A take of two tracks, with metadata, and `pair.yaml` beside it."""
    (folder / "pair.yaml").write_text(PAIR)
    top = strokes()
    bottom = -0.7 * np.roll(top, 20, axis=0)
    tracks = {"top": top, "bottom": bottom}
    return {
        name: write(folder / f"{name}_in.wav", samples, carried=chunks())
        for name, samples in tracks.items()
    }


def contents(folder: Path) -> dict[str, bytes]:
    """All files of a folder, by name."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}
