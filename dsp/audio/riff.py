# SPDX-License-Identifier: GPL-3.0-or-later
"""Headers and chunks of WAV, RF64 and BW64 files.

Decisions:

- The decoder library reads what is there and is silent about what is not, and it drops chunks it
  does not know. So the file is walked here: every length is compared with the file before samples
  are read, and every metadata chunk is kept with its bytes and its place.
- A length that the file does not hold is an error, for samples and for metadata: neither may be
  lost silently. Tolerated, because common and harmless: a missing pad byte (at the end, or before
  the next chunk), zeros after the last chunk, and bytes beyond the length that the header states.
- Bits are the container's: 20-bit samples in a 24-bit container are 24-bit samples here.

Sources: Multimedia Programming Interface and Data Specifications 1.0 (1991); Multimedia Data
Standards Update (1994) for the extensible header; ITU-R BS.2088 and EBU Tech 3306 for RF64, BW64.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from dsp.audio.chunks import Chunk, Place
from dsp.audio.formats import ACCEPTED_SAMPLES, SampleFormat, Subtype, unusable
from dsp.audio.layout import Layout, read_at, size_of

_IN_DS64 = 0xFFFFFFFF
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_SUBTYPES: dict[tuple[int, int], Subtype] = {
    (_PCM, 16): "pcm16",
    (_PCM, 24): "pcm24",
    (_PCM, 32): "pcm32",
    (_FLOAT, 32): "float32",
    (_FLOAT, 64): "float64",
}
_TAG_NAMES = {
    _PCM: "PCM",
    _FLOAT: "float",
    0x0002: "ADPCM",
    0x0006: "A-law",
    0x0007: "µ-law",
    0x0011: "IMA ADPCM",
    0x0031: "GSM 6.10",
    0x0040: "G.721 ADPCM",
    0x0050: "MPEG audio",
    0x0055: "MPEG layer 3",
    0x0092: "AC-3",
}


@dataclass
class _Walk:
    """What has been met so far on the way through the file."""

    path: Path
    size: int  # of the file
    end: int  # of the RIFF form, as its header states
    sizes64: dict[str, int] = field(default_factory=dict)
    fmt: bytes | None = None
    data_start: int = 0
    data_size: int | None = None
    chunks: list[Chunk] = field(default_factory=list)

    @property
    def place(self) -> Place:
        if self.data_size is not None:
            return Place.AFTER_DATA
        return Place.BEFORE_FORMAT if self.fmt is None else Place.BEFORE_DATA


def riff_layout(file: BinaryIO, path: Path) -> Layout:
    """Return the layout of an open WAV, RF64 or BW64 file.

    Raises `AudioError` where lengths, format or order of the chunks do not hold.
    """
    form, size, _ = struct.unpack("<4sI4s", read_at(file, 0, 12))
    walk = _Walk(path, size_of(file), 8 + size)
    position = 12
    if form != b"RIFF":
        position = _read_ds64(file, walk, size)
    while position + 8 <= walk.size and not (walk.data_size is not None and position >= walk.end):
        position = _take_chunk(file, walk, position)
        if position < 0:
            break
    return _layout_of(walk, is_rf64=form != b"RIFF")


def _read_ds64(file: BinaryIO, walk: _Walk, riff_size: int) -> int:
    """Read the table of 64-bit lengths; return the position of the next chunk."""
    chunk_id, size = struct.unpack("<4sI", read_at(file, 12, 8).ljust(8, b"\0"))
    body = read_at(file, 20, size if size <= walk.size - 20 else 0)
    if chunk_id != b"ds64" or len(body) < 28:
        found = f"{chunk_id!r} of {size} bytes"
        raise unusable(walk.path, "byte 12", found, "a ds64 chunk of at least 28 bytes in RF64")
    form_size, data_size, _, entries = struct.unpack_from("<QQQI", body)
    if riff_size == _IN_DS64:
        walk.end = 8 + form_size
    for number in range(min(entries, (len(body) - 28) // 12)):
        name, length = struct.unpack_from("<4sQ", body, 28 + 12 * number)
        walk.sizes64[name.decode("latin-1")] = length
    walk.sizes64["data"] = data_size
    return 20 + int(size) + int(size) % 2


def _take_chunk(file: BinaryIO, walk: _Walk, position: int) -> int:
    """Take in the chunk at `position`; return the next position, or −1 where only zeros follow."""
    header = read_at(file, position, 8)
    if not _is_id(header[:4]):
        if not any(header):
            return -1
        found = f"{header[:4]!r} where a chunk should start"
        raise unusable(walk.path, f"byte {position}", found, "a four-character chunk id")
    name = header[:4].decode("ascii")
    (size,) = struct.unpack("<I", header[4:])
    if size == _IN_DS64 and name in walk.sizes64:
        size = walk.sizes64[name]
    held = walk.size - position - 8
    if size > held:
        found = f"{size} bytes stated and {held} bytes in the file (truncated)"
        raise unusable(walk.path, f"chunk {name!r}", found, "a file as long as its chunks state")
    _keep(file, walk, name, position + 8, size)
    return _after(file, position + 8 + size)


def _keep(file: BinaryIO, walk: _Walk, name: str, start: int, size: int) -> None:
    if name == "data":
        if walk.fmt is None or walk.data_size is not None:
            found = "a second one" if walk.data_size is not None else "it before the fmt chunk"
            raise unusable(walk.path, "chunk 'data'", found, "one, after the fmt chunk")
        walk.data_start, walk.data_size = start, size
    elif name == "fmt ":
        if walk.fmt is not None:
            raise unusable(walk.path, "chunk 'fmt '", "a second one", "one")
        walk.fmt = read_at(file, start, min(size, 64))
    elif name in ("RIFF", "RF64", "BW64", "ds64"):
        raise unusable(
            walk.path, f"byte {start - 8}", f"{name!r} inside the file", "it at the start"
        )
    elif name != "fact":  # stated anew by the writer
        walk.chunks.append(Chunk(name, read_at(file, start, size), walk.place))


def _after(file: BinaryIO, end: int) -> int:
    """Return where the next chunk starts: after the pad byte, unless a writer left it out."""
    if end % 2 == 0:
        return end
    following = read_at(file, end, 5)
    left_out = len(following) == 5 and not _is_id(following[1:]) and _is_id(following[:4])
    return end if left_out else end + 1


def _is_id(text: bytes) -> bool:
    return len(text) == 4 and all(0x20 <= byte < 0x7F for byte in text)


def _layout_of(walk: _Walk, *, is_rf64: bool) -> Layout:
    if walk.fmt is None or walk.data_size is None:
        missing = "fmt" if walk.fmt is None else "data"
        raise unusable(walk.path, "chunks", f"no {missing} chunk", "a fmt and a data chunk")
    if len(walk.fmt) < 16:
        raise unusable(walk.path, "chunk 'fmt '", f"{len(walk.fmt)} bytes", "at least 16 bytes")
    tag, channels, rate, _, frame_bytes, bits = struct.unpack_from("<HHIIHH", walk.fmt)
    mask = None
    if tag == _EXTENSIBLE and len(walk.fmt) >= 40:
        mask, tag = struct.unpack_from("<IH", walk.fmt, 20)
    subtype = _SUBTYPES.get((tag, bits))
    if subtype is None:
        name = _TAG_NAMES.get(tag, "unknown")
        found = f"{name} (tag 0x{tag:04X}) of {bits} bits"
        raise unusable(walk.path, "sample format", found, ACCEPTED_SAMPLES)
    if frame_bytes != channels * bits // 8 or frame_bytes == 0:
        found = f"{frame_bytes} bytes a frame for {channels} channels of {bits} bits"
        raise unusable(walk.path, "chunk 'fmt '", found, "channels × bits / 8")
    frames, rest = divmod(walk.data_size, frame_bytes)
    if rest:
        found = f"{walk.data_size} bytes"
        raise unusable(walk.path, "chunk 'data'", found, f"whole frames of {frame_bytes} bytes")
    sample_format = SampleFormat("rf64" if is_rf64 else "wav", subtype, mask)
    chunks = tuple(walk.chunks)
    return Layout(sample_format, channels, rate, frames, chunks, data_start=walk.data_start)
