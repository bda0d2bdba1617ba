# SPDX-License-Identifier: GPL-3.0-or-later
"""The strokes that a layer plays.

Decisions:

- They come from a MIDI file, or from a hits file, whose empty velocities are then measured.
- Two notes at one sample are one stroke, the louder one; a note beyond the end of the take is left
  out. Both are told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from dsp.audio import TrackFile
from dsp.errors import UsageError
from dsp.hits.given import hits_from
from dsp.hits.hits_file import UNKNOWN, GivenHits, read_hits
from dsp.samples.following import follow_strokes
from dsp.samples.midi import read_notes
from dsp.samples.sample_set import SampleSet
from dsp.samples.turns import Stroke


@dataclass(frozen=True)
class SongPart:
    """The strokes to be layered; `name`, `remarks`, and the drum's tuning on the close track."""

    name: str
    strokes: tuple[Stroke, ...]
    remarks: tuple[str, ...]
    fundamental_hz: float | None


def read_part(song: Path, track: TrackFile, samples: SampleSet, notes: Sequence[int]) -> SongPart:
    """The strokes that `song` gives for a track: the `notes` of a MIDI file, or a hits file.

    Raises `UsageError` where it cannot be read or holds none of the notes, `ListError` with all
    faults of a hits file.
    """
    rate, frames = track.rate, len(track.samples)
    if _is_midi(song):
        strokes, remarks = _played(song, rate, frames, notes)
    else:
        given = read_hits(song, rate, frames)
        part = follow_strokes(track.samples, rate, full_dbfs=samples.full_dbfs, hits=given)
        places = zip(part.hits.onset, part.velocity, strict=True)
        strokes, remarks = [Stroke(int(at), int(velocity)) for at, velocity in places], []
    if not strokes:
        remarks.append("no strokes to layer: the stems are silent")
    return SongPart(song.name, tuple(strokes), tuple(remarks), _tuning(track, strokes))


def _is_midi(path: Path) -> bool:
    accepted = "a MIDI file, or a hits file"
    try:
        with path.open("rb") as file:
            start = file.read(512)
    except OSError as error:
        raise UsageError(f"{path}: {error.strerror or error}; accepted: {accepted}") from error
    if start.startswith(b"MThd"):
        return True
    if b"\0" in start:
        raise UsageError(f"{path}: found neither MIDI nor text; accepted: {accepted}")
    return False


def _played(
    song: Path, rate: int, frames: int, notes: Sequence[int]
) -> tuple[list[Stroke], list[str]]:
    found = read_notes(song)
    chosen = [note for note in found if note.number in notes]
    others = sorted({note.number for note in found} - set(notes))
    listed = ", ".join(str(number) for number in others)
    if found and not chosen:
        wanted = ", ".join(str(number) for number in notes)
        raise UsageError(
            f"{song}: found no note {wanted}, but {listed}; accepted: --notes with those to play"
        )
    louder: dict[int, int] = {}
    for note in chosen:
        at = round(note.at * rate)
        louder[at] = max(louder.get(at, 0), note.velocity)
    strokes = [Stroke(at, louder[at]) for at in sorted(louder) if at < frames]
    counts = (
        (len(found) - len(chosen), f"notes of other numbers left out ({listed})"),
        (len(chosen) - len(louder), "notes that start with a louder one left out"),
        (len(louder) - len(strokes), "notes after the end of the take left out"),
    )
    return strokes, [f"{count} {words}" for count, words in counts if count]


def _tuning(track: TrackFile, strokes: Sequence[Stroke]) -> float | None:
    if not strokes:
        return None
    onset = np.array([stroke.at for stroke in strokes], dtype=np.int64)
    unknown = np.full(len(onset), UNKNOWN, dtype=np.int64)
    hits = hits_from(track.samples, track.rate, GivenHits(onset, unknown, unknown, "", ""))
    return float(hits.fundamental_hz) if np.isfinite(hits.fundamental_hz) else None
