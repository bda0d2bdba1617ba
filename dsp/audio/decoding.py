# SPDX-License-Identifier: GPL-3.0-or-later
"""Samples out of a file, by libsndfile.

The take is decoded in blocks into the one float64 array that is returned, and NaN and infinity are
looked for while a block is in the processor's cache.
"""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile as sf

from dsp.audio.formats import Subtype, unusable
from dsp.audio.layout import Layout
from dsp.take import Samples

_BLOCK = 1 << 16  # samples decoded at a time: 0.5 MB of float64
_RAW: dict[Subtype, str] = {
    "pcm16": "PCM_16",
    "pcm24": "PCM_24",
    "pcm32": "PCM_32",
    "float32": "FLOAT",
    "float64": "DOUBLE",
}


class _Window(io.FileIO):
    """The samples of a file of the RIFF family, shown as if they were all of it."""

    def __init__(self, path: Path, start: int, size: int) -> None:
        super().__init__(path)
        self._start, self._size = start, size
        self._at = super().seek(start) - start

    def seek(self, offset: int, whence: int = 0) -> int:
        if whence == 1:
            offset += self._start + self._at
        else:
            offset += self._start + (self._size if whence == 2 else 0)
        self._at = super().seek(offset) - self._start
        return self._at

    def tell(self) -> int:
        return self._at

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        left = self._size - self._at  # called thousands of times: no more is done than needed
        if len(buffer) > left:
            buffer = memoryview(buffer)[: max(left, 0)]
        got = super().readinto(buffer) or 0
        self._at += got
        return got


@contextlib.contextmanager
def decoder(path: Path, layout: Layout | None = None) -> Iterator[sf.SoundFile]:
    """Open `path` in libsndfile; its complaints become `AudioError`.

    With the `layout` of a file of the RIFF family, libsndfile sees the bare samples: its own reader
    of RF64 headers (1.2.2) gives up after a chunk of odd length, and it has none for BW64.
    """
    # Bytes, since a file's name need not be valid in any encoding; Windows wants text.
    name = os.fsencode(path) if os.name == "posix" else str(path)
    try:
        if layout is None or layout.data_start is None:
            with sf.SoundFile(name) as opened:
                yield opened
        else:
            with _bare(path, layout, layout.data_start) as opened:
                yield opened
    except sf.LibsndfileError as error:
        found = f"what cannot be decoded ({error.error_string.strip(' .')})"
        raise unusable(path, "samples", found, "an undamaged file") from error


@contextlib.contextmanager
def _bare(path: Path, layout: Layout, start: int) -> Iterator[sf.SoundFile]:
    size = layout.frames * layout.channels * layout.format.bits // 8
    with (
        _Window(path, start, size) as window,
        sf.SoundFile(
            window,
            samplerate=int(layout.rate),
            channels=layout.channels,
            format="RAW",
            subtype=_RAW[layout.format.subtype],
            endian="LITTLE",
        ) as opened,
    ):
        yield opened


def decode(path: Path, layout: Layout) -> Samples:
    """Return all samples, float64 of shape (frames, channels), full scale at ±1.

    Raises `AudioError` where libsndfile sees another file than `layout` says, or fewer frames, or
    where a sample is NaN or infinity.
    """
    with decoder(path, layout) as opened:
        _check_agreement(path, layout, opened)
        samples = _allocate(path, layout)
        step = max(_BLOCK // layout.channels, 1)
        for start in range(0, layout.frames, step):
            block = samples[start : start + step]
            got = len(opened.read(out=block))
            if got < len(block):
                found = f"{layout.frames} frames stated and {start + got} decoded (truncated)"
                raise unusable(path, "samples", found, "as many frames as stated")
            _refuse_not_finite(path, block, start, layout.rate)
    return samples


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
