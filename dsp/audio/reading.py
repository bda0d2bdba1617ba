# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading a microphone track: WAV, RF64, BW64, AIFF, AIFC and FLAC.

Decisions:

- Headers are walked by this package (`riff`, `aiff`, `flac`). Samples of the RIFF family are read
  as they stand, others are decoded by libsndfile, which must find the same rate, channels and
  frames. A file that is damaged anywhere on the way is refused whole; a shorter take is never
  returned.
- A file is only ever opened for reading.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from dsp.audio.aiff import aiff_layout
from dsp.audio.chunks import Chunk
from dsp.audio.clipping import count_clipped
from dsp.audio.decoding import decode
from dsp.audio.flac import flac_layout
from dsp.audio.formats import SampleFormat, unusable
from dsp.audio.layout import Layout, check_layout
from dsp.audio.riff import riff_layout
from dsp.take import Samples

_ACCEPTED = "a WAV, RF64, AIFF or FLAC file"


@dataclass(frozen=True, eq=False)
class TrackFile:
    """One audio file, read whole.

    `samples` is float64 of shape (frames, channels), full scale at ±1; `rate` is in hertz. `chunks`
    holds the metadata in file order. `clipped` counts samples in flat tops at full scale (see
    `dsp.audio.clipping`). `sha256` is the hex digest of the file. `left_behind` names metadata of
    an AIFF or FLAC file that cannot go into a WAV file.
    """

    path: Path
    samples: Samples
    rate: int
    format: SampleFormat
    chunks: tuple[Chunk, ...]
    clipped: int
    sha256: str
    left_behind: tuple[str, ...] = ()


def read_track(path: Path) -> TrackFile:
    """Read an audio file.

    Raises `AudioError`, with the file, the place, what was found and what is accepted, where the
    file is missing, is none of the formats, is damaged or truncated, has no frames, a rate outside
    44.1 to 192 kHz, samples that are not PCM of 16 to 32 bits or float, or holds NaN or infinity.
    """
    path = Path(path)
    _check_is_file(path)
    try:
        with path.open("rb") as file:
            magic = file.read(12)
            layout = _reader_for(path, magic)(file, path)
            check_layout(path, layout)
            samples = decode(path, layout)
            file.seek(0)
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise unusable(path, "file", error.strerror or str(error), "a readable file") from error
    return TrackFile(
        path=path,
        samples=samples,
        rate=int(layout.rate),
        format=layout.format,
        chunks=layout.chunks,
        clipped=count_clipped(samples, layout.format.full_scale),
        sha256=sha256,
        left_behind=layout.left_behind,
    )


def _check_is_file(path: Path) -> None:
    try:
        if path.is_dir():
            raise unusable(path, "file", "a folder", _ACCEPTED)
        if path.exists() and not path.is_file():
            raise unusable(path, "file", "something that is no regular file", _ACCEPTED)
        if not path.exists():
            raise unusable(path, "file", "no such file", _ACCEPTED)
    except OSError as error:
        raise unusable(path, "file", error.strerror or str(error), "a readable file") from error


def _reader_for(path: Path, magic: bytes) -> Callable[[BinaryIO, Path], Layout]:
    """Choose by the first bytes, never by the file's name."""
    if magic[:4] in (b"RIFF", b"RF64", b"BW64") and magic[8:] == b"WAVE":
        return riff_layout
    if magic[:4] == b"FORM" and magic[8:] in (b"AIFF", b"AIFC"):
        return aiff_layout
    if magic[:4] == b"fLaC":
        return flac_layout
    found = f"{magic!r}" if magic else "an empty file"
    raise unusable(path, "first bytes", found, _ACCEPTED)
