# SPDX-License-Identifier: GPL-3.0-or-later
"""Samples out of a file.

In the RIFF family they are plain numbers that follow each other; other formats are decoded by
libsndfile (whose own reader of RF64 headers, 1.2.2, gives up after a chunk of odd length, and which
has none for BW64). The take is decoded in blocks into the one float64 array that is returned, and
NaN and infinity are looked for while a block is in the processor's cache.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile as sf

from dsp.audio.formats import SampleFormat, Subtype, unusable
from dsp.audio.layout import Layout
from dsp.take import Samples

_BLOCK = 1 << 17  # samples decoded at a time: 1 MB of float64
_NUMBERS: dict[Subtype, str] = {"pcm16": "<i2", "pcm32": "<i4", "float32": "<f4", "float64": "<f8"}


@contextlib.contextmanager
def decoder(path: Path) -> Iterator[sf.SoundFile]:
    """Open `path` in libsndfile; its complaints become `AudioError`."""
    # Bytes, since a file's name need not be valid in any encoding; Windows wants text.
    name = os.fsencode(path) if os.name == "posix" else str(path)
    try:
        with sf.SoundFile(name) as opened:
            yield opened
    except sf.LibsndfileError as error:
        found = f"what cannot be decoded ({error.error_string.strip(' .')})"
        raise unusable(path, "samples", found, "an undamaged file") from error


def decode(path: Path, layout: Layout) -> Samples:
    """Return all samples, float64 of shape (frames, channels), full scale at ±1.

    Raises `AudioError` where libsndfile sees another file than `layout` says, where there are
    fewer frames, or where a sample is NaN or infinity.
    """
    samples = _allocate(path, layout)
    step = max(_BLOCK // layout.channels, 1)
    with _reader(path, layout) as read:
        for start in range(0, layout.frames, step):
            block = samples[start : start + step]
            got = read(block)
            if got < len(block):
                found = f"{layout.frames} frames stated and {start + got} decoded (truncated)"
                raise unusable(path, "samples", found, "as many frames as stated")
            _refuse_not_finite(path, block, start, layout.rate)
    return samples


@contextlib.contextmanager
def _reader(path: Path, layout: Layout) -> Iterator[Callable[[Samples], int]]:
    """What fills a block with the samples that come next, and returns how many frames it got."""
    if layout.data_start is None:
        with decoder(path) as opened:
            _check_agreement(path, layout, opened)
            yield lambda block: len(opened.read(out=block))
    else:
        with path.open("rb") as file:
            file.seek(layout.data_start)
            yield lambda block: _read_numbers(file, layout.format, block)


def _read_numbers(file: BinaryIO, sample_format: SampleFormat, block: Samples) -> int:
    """Fill `block` with samples as they stand in a file; returns how many frames there were."""
    channels: int = block.shape[1]
    frame = channels * sample_format.bits // 8
    raw = np.zeros(1 + len(block) * frame, np.uint8)
    got: int = file.readinto(raw[1:].data)  # type: ignore[attr-defined]
    if sample_format.bits == 24:
        # Four bytes each, of which the lowest is the highest of the sample before.
        numbers = np.ndarray(block.shape, "<i4", raw, 0, (frame, 3)) & -256
    else:
        numbers = np.ndarray(block.shape, _NUMBERS[sample_format.subtype], raw, 1)
    full_scale = 1.0 if sample_format.is_float else 2.0 ** (8 * numbers.itemsize - 1)
    with np.errstate(invalid="ignore"):  # NaN is told of by its position
        np.multiply(numbers, 1.0 / full_scale, out=block, dtype=np.float64)
    return got // frame


def _allocate(path: Path, layout: Layout) -> Samples:
    try:
        return np.empty((layout.frames, layout.channels))
    except (MemoryError, ValueError) as error:  # ValueError: beyond what can be addressed
        found = f"{layout.frames} frames of {layout.channels} channels"
        raise unusable(path, "header", found, "a take that fits into memory") from error


def _check_agreement(path: Path, layout: Layout, opened: sf.SoundFile) -> None:
    stated = (int(layout.rate), layout.channels, layout.frames)
    decoded = (opened.samplerate, opened.channels, opened.frames)
    if stated != decoded:
        names = ("Hz", "channels", "frames")
        listed = [
            ", ".join(f"{n} {u}" for n, u in zip(s, names, strict=True)) for s in (stated, decoded)
        ]
        found = f"a header of {listed[0]}, which decodes as {listed[1]}"
        raise unusable(path, "header", found, "an undamaged file")


def _refuse_not_finite(path: Path, block: Samples, start: int, rate: float) -> None:
    """Refuse NaN and infinity with their position; `block` starts at frame `start`."""
    with np.errstate(invalid="ignore", over="ignore"):
        if np.isfinite(block.sum()):  # finite unless some sample is not, or nearly
            return
    bad = np.argwhere(~np.isfinite(block))
    if len(bad):
        frame, channel = (int(i) for i in bad[0])
        place = f"sample {start + frame} of channel {channel + 1} ({(start + frame) / rate:.3f} s)"
        raise unusable(path, place, f"{block[frame, channel]}", "finite samples")
