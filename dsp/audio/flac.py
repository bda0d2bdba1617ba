# SPDX-License-Identifier: GPL-3.0-or-later
"""Headers of FLAC files, and their metadata as chunks of a WAV file.

| FLAC | WAV |
|---|---|
| APPLICATION `riff`, each a chunk of the original WAV file | the chunk itself, in its place |
| APPLICATION `aiff`, likewise of an AIFF file | as from an AIFF file |
| Vorbis comments in the table below | `LIST` INFO after the samples, UTF-8 |
| other comments, PICTURE, CUESHEET, other APPLICATION blocks | left behind, and named |

Where a `LIST` INFO came out of `riff` blocks, it is the original, and comments make no second one.
The channel order of FLAC is that of WAVE_FORMAT_EXTENSIBLE; no loudspeakers are assigned, as
microphone channels have none.

Sources: RFC 9639 (2024), section 8; the block layout of foreign metadata is the reference
encoder's (`foreign_metadata.c`: a 12-byte header, then each chunk whole, `data` as 8 bytes).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from dsp.audio.aiff import aiff_metadata
from dsp.audio.chunks import STRUCTURAL, Chunk, Place, build_info
from dsp.audio.formats import SampleFormat, Subtype, unusable
from dsp.audio.layout import Layout, read_at, size_of

_STREAMINFO, _PADDING, _APPLICATION, _SEEKTABLE, _COMMENT = range(5)
_LEFT = {5: "FLAC CUESHEET block", 6: "FLAC PICTURE block"}
_SUBTYPES: dict[int, Subtype] = {16: "pcm16", 24: "pcm24"}
_INFO_OF = {
    "TITLE": "INAM",
    "ARTIST": "IART",
    "ALBUM": "IPRD",
    "DATE": "ICRD",
    "GENRE": "IGNR",
    "COMMENT": "ICMT",
    "DESCRIPTION": "ICMT",
    "COPYRIGHT": "ICOP",
    "ENCODER": "ISFT",
}


@dataclass
class _Metadata:
    """What the metadata blocks hold, gathered in file order."""

    riff: list[Chunk] = field(default_factory=list)
    riff_place: Place = Place.BEFORE_FORMAT
    aiff: list[tuple[str, bytes]] = field(default_factory=list)
    comments: list[tuple[str, str]] = field(default_factory=list)
    left_behind: list[str] = field(default_factory=list)


def flac_layout(file: BinaryIO, path: Path) -> Layout:
    """Return the layout of an open FLAC file; raises `AudioError` where it does not hold."""
    blocks = _blocks(file, path)
    kind, info = next(blocks)
    if kind != _STREAMINFO or len(info) < 34:
        raise unusable(path, "byte 4", f"block {kind} of {len(info)} bytes", "STREAMINFO, 34 bytes")
    packed = int.from_bytes(info[10:18], "big")  # rate 20, channels 3, bits 5, frames 36 bits
    rate, channels = packed >> 44, (packed >> 41 & 7) + 1
    bits, frames = (packed >> 36 & 31) + 1, packed & (2**36 - 1)
    if bits not in _SUBTYPES:
        raise unusable(path, "sample format", f"{bits}-bit FLAC", "FLAC of 16 or 24 bits")
    if frames == 0:
        raise unusable(path, "STREAMINFO", "0 frames stated", "the number of frames, at least 1")
    gathered = _Metadata()
    for kind, body in blocks:
        _gather(gathered, kind, body, path)
    chunks, left_behind = _as_chunks(gathered, path)
    sample_format = SampleFormat("flac", _SUBTYPES[bits], 0 if channels > 2 else None)
    return Layout(sample_format, channels, rate, frames, chunks, left_behind)


def _blocks(file: BinaryIO, path: Path) -> Iterator[tuple[int, bytes]]:
    """Yield each metadata block as (type, bytes)."""
    position, end, last = 4, size_of(file), False
    while not last:
        header = read_at(file, position, 4)
        if len(header) < 4:
            raise unusable(path, f"byte {position}", "the end of the file", "a metadata block")
        last, kind = header[0] >= 0x80, header[0] & 0x7F
        length, held = int.from_bytes(header[1:], "big"), end - position - 4
        if length > held:
            found = f"{length} bytes stated and {held} bytes in the file (truncated)"
            raise unusable(path, f"metadata block at byte {position}", found, "whole blocks")
        yield kind, file.read(length)
        position += 4 + length


def _gather(gathered: _Metadata, kind: int, body: bytes, path: Path) -> None:
    if kind == _APPLICATION and body[:4] == b"riff":
        _gather_riff(gathered, body[4:], path)
    elif kind == _APPLICATION and body[:4] == b"aiff":
        gathered.aiff.append((body[4:8].decode("latin-1"), _chunk_body(body[4:], ">I", path)))
    elif kind == _APPLICATION:
        gathered.left_behind.append(f"FLAC APPLICATION block {body[:4].decode('latin-1')!r}")
    elif kind == _COMMENT:
        gathered.comments += _comments(body, path)
    elif kind not in (_PADDING, _SEEKTABLE):
        gathered.left_behind.append(_LEFT.get(kind, f"FLAC block of type {kind}"))


def _gather_riff(gathered: _Metadata, block: bytes, path: Path) -> None:
    name = block[:4].decode("latin-1")
    if name == "fmt ":
        gathered.riff_place = Place.BEFORE_DATA
    elif name == "data":
        gathered.riff_place = Place.AFTER_DATA
    elif name not in STRUCTURAL:
        if not (len(name) == 4 and name.isascii() and name.isprintable()):
            raise unusable(
                path, "APPLICATION block 'riff'", f"chunk id {name!r}", "4 ASCII letters"
            )
        gathered.riff.append(Chunk(name, _chunk_body(block, "<I", path), gathered.riff_place))


def _chunk_body(block: bytes, order: str, path: Path) -> bytes:
    """Return the bytes of the chunk that a foreign-metadata block holds, without its pad byte."""
    if block[:4] in (b"FORM", b"SSND"):  # headers of what is not stored here
        return b""
    size = struct.unpack(order, block[4:8])[0] if len(block) >= 8 else 0
    if len(block) < 8 + size:
        found = f"{size} bytes stated and {max(len(block) - 8, 0)} bytes in the block"
        raise unusable(path, f"APPLICATION block, chunk {block[:4]!r}", found, "a whole chunk")
    return block[8 : 8 + size]


def _comments(body: bytes, path: Path) -> list[tuple[str, str]]:
    """Return the Vorbis comments as (NAME, text)."""
    try:
        at = 4 + struct.unpack_from("<I", body)[0]
        (count,) = struct.unpack_from("<I", body, at)
        at += 4
        comments = []
        for _ in range(count):
            (length,) = struct.unpack_from("<I", body, at)
            if at + 4 + length > len(body):
                raise struct.error("comment runs over its block")
            name, _, text = body[at + 4 : at + 4 + length].decode().partition("=")
            comments.append((name.upper(), text))
            at += 4 + length
    except (struct.error, UnicodeDecodeError) as error:
        raise unusable(
            path, "Vorbis comment block", str(error), "whole comments in UTF-8"
        ) from error
    return comments


def _as_chunks(gathered: _Metadata, path: Path) -> tuple[tuple[Chunk, ...], tuple[str, ...]]:
    from_aiff, left_behind = aiff_metadata(gathered.aiff, path)
    chunks = [*gathered.riff, *from_aiff]
    left = [*gathered.left_behind, *left_behind]
    has_info = any(chunk.id == "LIST" and chunk.data[:4] == b"INFO" for chunk in chunks)
    texts: dict[str, str] = {}
    for name, text in gathered.comments:
        key = _INFO_OF.get(name)
        if key is None:
            left.append(f"Vorbis comment {name}")
        elif text:
            texts[key] = f"{texts[key]}\n{text}" if key in texts else text
    if texts and not has_info:
        chunks.append(build_info(texts))
    return tuple(chunks), tuple(dict.fromkeys(left))
