# SPDX-License-Identifier: GPL-3.0-or-later
"""What a file's own headers state, whatever its container."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from dsp.audio.chunks import Chunk
from dsp.audio.formats import SampleFormat, unusable
from dsp.take import HIGHEST_RATE, LOWEST_RATE


@dataclass(frozen=True)
class Layout:
    """Headers of one audio file: sample format, channels, rate in hertz, frames, metadata.

    `left_behind` names metadata that has no well-defined counterpart in a WAV file. `data_start` is
    the first sample's position in bytes, known for the RIFF family.
    """

    format: SampleFormat
    channels: int
    rate: float
    frames: int
    chunks: tuple[Chunk, ...]
    left_behind: tuple[str, ...] = ()
    data_start: int | None = None


def check_layout(path: Path, layout: Layout) -> None:
    """Refuse a file without samples or with a rate that the program does not work at."""
    if layout.channels < 1:
        raise unusable(path, "header", f"{layout.channels} channels", "at least 1 channel")
    if layout.frames < 1:
        raise unusable(path, "samples", "0 frames", "at least 1 frame")
    if not LOWEST_RATE <= layout.rate <= HIGHEST_RATE or layout.rate != int(layout.rate):
        accepted = f"whole rates from {LOWEST_RATE} to {HIGHEST_RATE} Hz"
        raise unusable(path, "sample rate", f"{layout.rate:.12g} Hz", accepted)


def size_of(file: BinaryIO) -> int:
    """Return the file's length in bytes; the position is at the end afterwards."""
    return file.seek(0, 2)


def read_at(file: BinaryIO, position: int, count: int) -> bytes:
    """Return up to `count` bytes from `position`; fewer at the end of the file."""
    file.seek(position)
    return file.read(count)
