# SPDX-License-Identifier: GPL-3.0-or-later
"""Headers of AIFF and AIFC files, and their metadata as chunks of a WAV file.

| AIFF | WAV |
|---|---|
| `NAME` | `LIST` INFO, `INAM` |
| `AUTH` | `LIST` INFO, `IART` |
| `(c) ` | `LIST` INFO, `ICOP` |
| `ANNO` (several: one line each) | `LIST` INFO, `ICMT` |
| `MARK` | `cue ` for the positions, `LIST` adtl for the names |

Text is taken as UTF-8 if it is that, else as the Macintosh character set that the format's writers
used, and goes out as UTF-8. Other chunks (`INST`, `MIDI`, `COMT`, `APPL` …) have no well-defined
counterpart and are named in `left_behind`. All chunks made here stand after the samples.

Source: Audio Interchange File Format 1.3 (1989) and its AIFC draft (1991).
"""

from __future__ import annotations

import math
import struct
from pathlib import Path
from typing import BinaryIO

from dsp.audio.chunks import Chunk, build_cue, build_info, build_labels
from dsp.audio.decoding import decoder
from dsp.audio.formats import ACCEPTED_SAMPLES, SampleFormat, Subtype, unusable
from dsp.audio.layout import Layout, read_at, size_of

_INFO_OF = {"NAME": "INAM", "AUTH": "IART", "(c) ": "ICOP", "ANNO": "ICMT"}
_STRUCTURAL = {"FORM", "COMM", "SSND", "FVER"}
_FILLER = {"FLLR", "JUNK", "PAD "}
_SUBTYPES: dict[str, Subtype] = {
    "PCM_16": "pcm16",
    "PCM_24": "pcm24",
    "PCM_32": "pcm32",
    "FLOAT": "float32",
    "DOUBLE": "float64",
}


def aiff_layout(file: BinaryIO, path: Path) -> Layout:
    """Return the layout of an open AIFF or AIFC file; raises `AudioError` where it is damaged."""
    found = _walk(file, path)
    names = [name for name, _ in found]
    for needed in ("COMM", "SSND"):
        if names.count(needed) != 1:
            raise unusable(path, "chunks", f"{names.count(needed)} {needed} chunks", "exactly 1")
    common = dict(found)["COMM"]
    if len(common) < 18:
        raise unusable(path, "chunk 'COMM'", f"{len(common)} bytes", "at least 18 bytes")
    channels, frames, _, exponent, mantissa = struct.unpack_from(">hIhHQ", common)
    chunks, left_behind = aiff_metadata(found, path)
    return Layout(
        SampleFormat("aiff", _subtype(path), 0 if channels > 2 else None),
        channels,
        _extended(exponent, mantissa),
        frames,
        chunks,
        left_behind,
    )


def _walk(file: BinaryIO, path: Path) -> list[tuple[str, bytes]]:
    """Return every chunk as (id, bytes); the samples themselves stay in the file."""
    found: list[tuple[str, bytes]] = []
    position, end = 12, size_of(file)
    while position + 8 <= end:
        header = read_at(file, position, 8)
        name = header[:4].decode("latin-1")
        (size,) = struct.unpack(">I", header[4:])
        held = end - position - 8
        if size > held:
            stated = f"{size} bytes stated and {held} bytes in the file (truncated)"
            raise unusable(path, f"chunk {name!r}", stated, "a file as long as its chunks state")
        found.append((name, b"" if name == "SSND" else file.read(size)))
        position += 8 + size + size % 2
    return found


def _subtype(path: Path) -> Subtype:
    """Ask the decoder what the samples are: AIFC knows a dozen names for a few formats."""
    with decoder(path) as opened:
        subtype, name = opened.subtype, opened.subtype_info
    if subtype not in _SUBTYPES:
        raise unusable(path, "sample format", name, ACCEPTED_SAMPLES)
    return _SUBTYPES[subtype]


def _extended(exponent: int, mantissa: int) -> float:
    """Return an 80-bit extended number; infinity where it is beyond a double."""
    try:
        return math.ldexp(mantissa, exponent - 16383 - 63)
    except OverflowError:
        return math.inf


def aiff_metadata(
    found: list[tuple[str, bytes]], path: Path
) -> tuple[tuple[Chunk, ...], tuple[str, ...]]:
    """Return AIFF chunks (id, bytes) as WAV chunks, and the names of those left behind."""
    texts: dict[str, str] = {}
    chunks: list[Chunk] = []
    left_behind: list[str] = []
    for name, data in found:
        if name in _INFO_OF:
            key = _INFO_OF[name]
            texts[key] = "\n".join(filter(None, [texts.get(key), _text(data)]))
        elif name == "MARK":
            chunks += _markers(data, path)
        elif name not in _STRUCTURAL | _FILLER:
            left_behind.append(f"AIFF chunk {name!r}")
    if texts:
        chunks.append(build_info(texts))
    return tuple(chunks), tuple(left_behind)


def _markers(data: bytes, path: Path) -> list[Chunk]:
    """Return `MARK` as cue points and their names."""
    positions: list[int] = []
    names: list[str] = []
    count = int.from_bytes(data[:2], "big")
    at = 2
    while len(positions) < count:
        if at + 7 > len(data) or at + 7 + data[at + 6] > len(data):
            found = f"{len(positions)} whole markers of {count} in {len(data)} bytes"
            raise unusable(path, "chunk 'MARK'", found, "as many markers as stated")
        _, position, length = struct.unpack_from(">hIB", data, at)
        positions.append(position)
        names.append(_text(data[at + 7 : at + 7 + length]))
        at += 7 + length + (1 + length) % 2
    return [build_cue(positions), build_labels(names)] if positions else []


def _text(data: bytes) -> str:
    data = data.rstrip(b"\0")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        return data.decode("mac_roman")
