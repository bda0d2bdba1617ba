# SPDX-License-Identifier: GPL-3.0-or-later
"""Metadata chunks of a WAV file, kept as raw bytes, and makers of the few that we write ourselves.

Decisions:

- A chunk is never parsed to be carried over: its bytes go out as they came in, so that `bext`,
  `iXML`, `cue `, `LIST` and chunks unknown to us survive alike.
- That includes the statements in it that are about sample values, not about the recording: the
  loudness fields of a version-2 `bext`, and the `PEAK`, `levl` and `MD5 ` chunks. After a treatment
  that alters samples they still speak of the input. They are not rewritten, since a carried-over
  chunk is promised to be untouched; `describes_input` names them, so that a report can say so.

Sources: EBU Tech 3285 v2 (2011) for `bext`; Multimedia Programming Interface and Data
Specifications 1.0 (1991) for `cue ` and `LIST`.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from dsp.errors import UsageError

STRUCTURAL = frozenset({"RIFF", "RF64", "BW64", "ds64", "fmt ", "fact", "data"})

_BEXT_FIXED = 602
_BEXT_TIME_REFERENCE = 338
_BEXT_VERSION = 346
_BEXT_LOUDNESS = 412
_LOUDNESS_UNUSED = 0x7FFF  # EBU Tech 3285 v2; from memory
_LARGEST = 2**32 - 2


class Place(StrEnum):
    """Where a chunk stands in the file."""

    BEFORE_FORMAT = "before format"
    BEFORE_DATA = "before data"  # after the format
    AFTER_DATA = "after data"


@dataclass(frozen=True)
class Chunk:
    """One metadata chunk: four-character `id`, `data` without header and pad byte, and `place`.

    Raises `UsageError` where `id` is not four printable ASCII characters or is one of those the
    writer makes itself (`fmt `, `fact`, `data`, `ds64`).
    """

    id: str
    data: bytes
    place: Place = Place.BEFORE_DATA

    def __post_init__(self) -> None:
        if len(self.id) != 4 or not (self.id.isascii() and self.id.isprintable()):
            raise UsageError(f"chunk id: found {self.id!r}; accepted: 4 printable ASCII characters")
        if self.id in STRUCTURAL:
            raise UsageError(
                f"chunk id: found {self.id!r}; accepted: metadata, not the file's frame"
            )
        if len(self.data) > _LARGEST:
            raise UsageError(
                f"chunk {self.id!r}: found {len(self.data)} bytes; accepted: {_LARGEST}"
            )

    @property
    def before_data(self) -> bool:
        """True where the chunk stands before the samples."""
        return self.place is not Place.AFTER_DATA


def padded(chunk_id: str, data: bytes) -> bytes:
    """Return a whole chunk: id, length, data, and the pad byte that follows an odd length."""
    return struct.pack("<4sI", chunk_id.encode("ascii"), len(data)) + data + bytes(len(data) % 2)


def bext_time_reference(chunks: Sequence[Chunk]) -> int | None:
    """Return the first `bext` chunk's time reference in samples since midnight.

    None where there is no `bext`, or one too short to hold the field.
    """
    for chunk in chunks:
        if chunk.id == "bext" and len(chunk.data) >= _BEXT_VERSION:
            (samples,) = struct.unpack_from("<Q", chunk.data, _BEXT_TIME_REFERENCE)
            return int(samples)
    return None


def describes_input(chunks: Sequence[Chunk]) -> tuple[str, ...]:
    """Name what in `chunks` speaks of sample values, and so is of the input once samples change."""
    named = {"PEAK": "PEAK", "levl": "levl", "MD5 ": "MD5"}
    found = [named[chunk.id] for chunk in chunks if chunk.id in named]
    found += ["bext loudness" for c in chunks if c.id == "bext" and _states_loudness(c.data)]
    return tuple(dict.fromkeys(found))


def _states_loudness(bext: bytes) -> bool:
    if len(bext) < _BEXT_FIXED or struct.unpack_from("<H", bext, _BEXT_VERSION)[0] < 2:
        return False
    return any(
        field != _LOUDNESS_UNUSED for field in struct.unpack_from("<5H", bext, _BEXT_LOUDNESS)
    )


def build_bext(
    description: str,
    originator: str,
    date: str,
    time: str,
    time_reference: int,
    *,
    originator_reference: str = "",
    coding_history: str = "",
) -> Chunk:
    """Return a version-1 `bext` chunk without UMID (EBU Tech 3285).

    `date` is yyyy-mm-dd, `time` is hh-mm-ss (or hh:mm:ss), `time_reference` is the first sample's
    count since midnight, 0 to 2^64 − 1. Raises `UsageError` on text that is not ASCII or too long.
    """
    if not 0 <= time_reference < 2**64:
        raise UsageError(f"bext time reference: found {time_reference}; accepted: 0 to 2^64 − 1")
    fixed = struct.pack(
        "<256s32s32s10s8sQH64s190x",
        _ascii("description", description, 256),
        _ascii("originator", originator, 32),
        _ascii("originator reference", originator_reference, 32),
        _ascii("date", date, 10),
        _ascii("time", time, 8),
        time_reference,
        1,
        b"",
    )
    return Chunk("bext", fixed + _ascii("coding history", coding_history, _LARGEST - _BEXT_FIXED))


def _ascii(name: str, text: str, longest: int) -> bytes:
    if not text.isascii() or len(text) > longest:
        raise UsageError(
            f"bext {name}: found {text!r}; accepted: ASCII, at most {longest} characters"
        )
    return text.encode("ascii")


def build_cue(positions: Sequence[int]) -> Chunk:
    """Return a `cue ` chunk with one point for each sample position, numbered from 1.

    Raises `UsageError` on a position outside 0 to 2^32 − 1.
    """
    for position in positions:
        if not 0 <= position < 2**32:
            raise UsageError(f"cue position: found {position}; accepted: 0 to 2^32 − 1")
    points = [
        struct.pack("<II4sIII", number, position, b"data", 0, 0, position)
        for number, position in enumerate(positions, start=1)
    ]
    return Chunk("cue ", struct.pack("<I", len(points)) + b"".join(points), Place.AFTER_DATA)


def build_labels(names: Sequence[str]) -> Chunk:
    """Return a `LIST` chunk of type `adtl` that names the cue points 1, 2, … (UTF-8)."""
    labels = [
        padded("labl", struct.pack("<I", number) + name.encode() + b"\0")
        for number, name in enumerate(names, start=1)
    ]
    return Chunk("LIST", b"adtl" + b"".join(labels), Place.AFTER_DATA)


def build_info(texts: Mapping[str, str]) -> Chunk:
    """Return a `LIST` chunk of type `INFO`: `texts` maps ids such as INAM to text (UTF-8)."""
    entries = [padded(key, text.encode() + b"\0") for key, text in texts.items()]
    return Chunk("LIST", b"INFO" + b"".join(entries), Place.AFTER_DATA)
