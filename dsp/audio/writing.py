# SPDX-License-Identifier: GPL-3.0-or-later
"""Writing a track: always WAV, or RF64 where the input was RF64 or the file exceeds 4 GiB.

Decisions:

- Order: `ds64` (RF64 only), the chunks that stood before the format, `fmt `, `fact` (float formats
  only, as the standard asks), the chunks before the samples, `data`, the chunks after. An odd
  length is followed by a pad byte that no length but the file's counts.
- Lengths are known before the first byte is written, so nothing is patched afterwards, and a file
  can be written to anything that takes bytes.
- The extensible header is written where the sample format has a channel mask, with all bits of the
  container valid, since a treatment fills them.
- Samples are encoded in blocks; the take is never copied whole.
- Chunks go out untouched (see `dsp.audio.chunks` for what they may then say of the input).

Sources: as in `dsp.audio.riff`.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np

from dsp.audio.atomic import complete_file
from dsp.audio.chunks import Chunk, Place, padded
from dsp.audio.formats import SampleFormat
from dsp.audio.quantise import Quantiser
from dsp.errors import UsageError
from dsp.take import HIGHEST_RATE, LOWEST_RATE, Samples, check_samples

LARGEST_RIFF = 2**32 - 2  # 2^32 − 1 means "see ds64"

_BLOCK = 1 << 16  # samples encoded at a time
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")  # after the 2-byte format tag
_SEE_DS64 = 2**32 - 1


@dataclass(frozen=True)
class WriteReport:
    """What a written track turned out to be.

    `clipped` counts samples beyond the largest code of the format; `peak_dbfs` is the level of the
    highest sample before that, −inf for digital silence.
    """

    clipped: int
    peak_dbfs: float


def write_track(
    path: Path,
    samples: Samples,
    rate: int,
    format: SampleFormat,
    chunks: Sequence[Chunk] = (),
    overwrite: bool = False,
) -> WriteReport:
    """Write `samples` (frames, channels) as a WAV file that appears only when complete.

    The dither of 16-bit files is seeded by the file's name: the same track gives the same bytes,
    and two tracks of a take get independent noise. Raises `UsageError` on a wrong rate, shape or
    channel count, `AudioError` on NaN or infinity, `OutputError` where the file cannot be written
    or exists and `overwrite` is false; then nothing has changed on disk.
    """
    path = Path(path)
    with complete_file(path, overwrite) as file:
        return write_wav(file, samples, rate, format, chunks, name=path.name)


def write_wav(
    file: BinaryIO,
    samples: Samples,
    rate: int,
    format: SampleFormat,
    chunks: Sequence[Chunk] = (),
    *,
    name: str,
) -> WriteReport:
    """Write a track as `write_track` does, to an open file; `name` seeds the dither."""
    _check(samples, rate, format, name)
    frames, channels = samples.shape
    data_bytes = frames * channels * format.bits // 8
    head, tail = _frame(format, rate, frames, channels, data_bytes, chunks)
    quantiser = Quantiser(format, zlib.crc32(name.encode()))
    file.write(head)
    step = max(_BLOCK // channels, 1)
    for start in range(0, frames, step):
        file.write(quantiser.encode(samples[start : start + step]))
    file.write(bytes(data_bytes % 2) + tail)
    peak_dbfs = 20.0 * math.log10(quantiser.peak) if quantiser.peak > 0.0 else -math.inf
    return WriteReport(quantiser.clipped, peak_dbfs)


def _check(samples: Samples, rate: int, sample_format: SampleFormat, name: str) -> None:
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise UsageError(f"{name}: found {rate} Hz; accepted: {LOWEST_RATE} to {HIGHEST_RATE} Hz")
    with np.errstate(invalid="ignore", over="ignore"):
        check_samples(name, samples)
    most = 0xFFFF * 8 // sample_format.bits  # the bytes of a frame are a 16-bit number
    if samples.shape[1] > most:
        raise UsageError(f"{name}: found {samples.shape[1]} channels; accepted: at most {most}")


def _frame(
    sample_format: SampleFormat,
    rate: int,
    frames: int,
    channels: int,
    data_bytes: int,
    chunks: Sequence[Chunk],
) -> tuple[bytes, bytes]:
    """Return what stands before and after the samples."""

    def at(place: Place) -> bytes:
        return b"".join(padded(chunk.id, chunk.data) for chunk in chunks if chunk.place is place)

    body = at(Place.BEFORE_FORMAT) + padded("fmt ", _fmt(sample_format, rate, channels))
    if sample_format.is_float:
        body += padded("fact", struct.pack("<I", min(frames, _SEE_DS64)))
    body += at(Place.BEFORE_DATA)
    tail = at(Place.AFTER_DATA)
    riff_bytes = 4 + len(body) + 8 + data_bytes + data_bytes % 2 + len(tail)
    if sample_format.container != "rf64" and riff_bytes <= LARGEST_RIFF:
        start = struct.pack("<4sI4s", b"RIFF", riff_bytes, b"WAVE")
        return start + body + struct.pack("<4sI", b"data", data_bytes), tail
    sizes = struct.pack("<QQQI", riff_bytes + 36, data_bytes, frames, 0)
    start = struct.pack("<4sI4s", b"RF64", _SEE_DS64, b"WAVE") + padded("ds64", sizes)
    return start + body + struct.pack("<4sI", b"data", _SEE_DS64), tail


def _fmt(sample_format: SampleFormat, rate: int, channels: int) -> bytes:
    """Return the bytes of the `fmt ` chunk."""
    tag, bits = (_FLOAT if sample_format.is_float else _PCM), sample_format.bits
    extensible = sample_format.channel_mask is not None
    frame_bytes = channels * bits // 8
    fmt = struct.pack(
        "<HHIIHH",
        _EXTENSIBLE if extensible else tag,
        channels,
        rate,
        min(rate * frame_bytes, 2**32 - 1),
        frame_bytes,
        bits,
    )
    if extensible:
        return fmt + struct.pack("<HHIH", 22, bits, sample_format.channel_mask, tag) + _GUID_TAIL
    return fmt + (struct.pack("<H", 0) if sample_format.is_float else b"")
