# SPDX-License-Identifier: GPL-3.0-or-later
"""Follow a drummer: a MIDI part with a note for every stroke, at its time and with its strength.

Decisions:

- Velocity is level by the square law 40·lg(v / 127), as in the hit map and in a sample set. With a
  set, 127 is the set's own level there, so that playing the set gives each stroke its real level.
  Without one, 127 is the loudest stroke that the drummer would play: see `full_level_dbfs`.
- The level of a stroke is measured with bleed and earlier strokes taken out
  (`dsp.samples.stroke_levels`).
- Strokes that were given by hand keep the velocity that was given.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dsp.audio import OutputSet, TrackFile, read_track
from dsp.errors import UsageError
from dsp.hits import find_hits
from dsp.hits.given import hits_from
from dsp.hits.hitmap import HitMap
from dsp.hits.hits_file import UNKNOWN, GivenHits, hits_bytes, read_hits
from dsp.outputs import Writer
from dsp.samples.hands import NOTES, alternate
from dsp.samples.midi import Note, TempoMap, fixed_tempo, midi_bytes, steady_tempo, tempo_from
from dsp.samples.stroke_levels import stroke_levels_dbfs
from dsp.take import Samples

if TYPE_CHECKING:
    from dsp.samples.sample_set import SampleSet

Positions = NDArray[np.int64]
Values = NDArray[np.float64]

LOUDEST = 127
FULL_DB = 6.0  # strokes within this of the loudest are full strokes


@dataclass(frozen=True, eq=False)
class Part:
    """What follows a drummer.

    `hits` the strokes; `level_dbfs` (n,) of each without bleed; `velocity` (n,) 1 … 127; `number`
    (n,) MIDI notes; `full_dbfs` the level at velocity 127, NaN without strokes.
    """

    hits: HitMap
    level_dbfs: Values
    velocity: Positions
    number: Positions
    full_dbfs: float

    @property
    def beyond(self) -> int:
        """How many strokes are louder than velocity 127 plays, by more than half a step."""
        return int((self.level_dbfs > self.full_dbfs + 0.07).sum())

    def notes(self) -> list[Note]:
        """The notes at their exact times."""
        rows = zip(self.hits.onset, self.number, self.velocity, strict=True)
        return [Note(Fraction(int(at), self.hits.rate), int(n), int(v)) for at, n, v in rows]


@dataclass(frozen=True, eq=False)
class FollowReport:
    """What was written: `files` by name with their sizes, and `content` for `--json`."""

    part: Part
    files: dict[str, int]
    content: dict[str, Any]


def follow_strokes(
    samples: Samples,
    rate: int,
    *,
    full_dbfs: float | None = None,
    notes: Sequence[int] = NOTES,
    hits: GivenHits | None = None,
) -> Part:
    """The part of samples (frames, channels): strokes found, or those of `hits`.

    `full_dbfs` is the level of velocity 127, a set's own; by default the loudest strokes'. `notes`
    are one MIDI note, or two for the hands.
    """
    check_notes(notes)
    found = find_hits(samples, rate) if hits is None else hits_from(samples, rate, hits)
    levels = stroke_levels_dbfs(samples, found.onset, rate)
    full = full_level_dbfs(levels) if full_dbfs is None else full_dbfs
    velocity = velocities(levels, full)
    if hits is not None:
        velocity = np.where(hits.velocity == UNKNOWN, velocity, hits.velocity)
    times = [Fraction(int(at), rate) for at in found.onset]
    number = np.array(alternate(times, notes), dtype=np.int64)
    return Part(found, levels, velocity, number, full)


def full_level_dbfs(level_dbfs: Values) -> float:
    """The loudest stroke that a drummer would play, from the levels (n,) of those of a take.

    The very loudest is seldom among them. Were full strokes spread evenly, their upper end would
    lie, without bias, above the loudest by the mean distance of the n within 6 dB of it:
    (highest − lowest) / (n − 1). NaN without strokes.
    """
    if len(level_dbfs) == 0:
        return float("nan")
    highest = float(level_dbfs.max())
    full = level_dbfs[level_dbfs > highest - FULL_DB]
    return highest + (highest - float(full.min())) / max(len(full) - 1, 1)


def velocities(level_dbfs: Values, full_dbfs: float) -> Positions:
    """Velocity 1 … 127 of levels (n,), where `full_dbfs` is 127, by the square law."""
    exact = LOUDEST * 10 ** (np.minimum(level_dbfs - full_dbfs, 0.0) / 40)
    return np.clip(np.round(exact), 1, LOUDEST).astype(np.int64)


def check_notes(notes: Sequence[int]) -> None:
    """Raise `UsageError` unless `notes` are one or two MIDI notes."""
    if not 1 <= len(notes) <= 2 or len(set(notes)) < len(notes) or not _midi(notes):
        given = ",".join(str(note) for note in notes) or "none"
        raise UsageError(f"notes: found {given}; accepted: one or two different, 0 to 127")


def _midi(notes: Sequence[int]) -> bool:
    return all(0 <= note <= 127 for note in notes)


def follow(
    file: Path,
    out: Path | None = None,
    *,
    samples_from: Path | None = None,
    bpm: float | None = None,
    tempo: Path | None = None,
    notes: Sequence[int] = NOTES,
    hits: Path | None = None,
    write_hits: Path | None = None,
    overwrite: bool = False,
) -> FollowReport:
    """Follow the drummer of `file`: write a MIDI file to `out`, the strokes to `write_hits`.

    `samples_from` is the folder of the sample set that will be played; `bpm` a steady tempo, or
    `tempo` a MIDI file to take the tempo map from; `hits` a hits file instead of finding strokes.

    Raises `UsageError` where the call or one of the given files cannot be used, `AudioError` for an
    unusable track, `OutputError` where an output exists (unless `overwrite`) or cannot be written.
    """
    targets = [Path(path) for path in (out, write_hits) if path is not None]
    if not targets:
        raise UsageError("found nothing to write; accepted: a MIDI file, a hits file, or both")
    if bpm is not None and tempo is not None:
        raise UsageError("found a tempo and a file to take it from; accepted: one of them")
    check_notes(notes)
    played = None if samples_from is None else _load_set(samples_from)
    steady = None if bpm is None else steady_tempo(bpm)
    chosen = steady if tempo is None else tempo_from(tempo)
    inputs = [Path(path) for path in (file, tempo, hits) if path is not None]
    inputs += [] if played is None else _set_files(played)
    with OutputSet(targets, inputs=inputs, overwrite=overwrite) as outputs:
        track = read_track(Path(file))
        frames = len(track.samples)
        given = None if hits is None else read_hits(hits, track.rate, frames)
        full = None if played is None else played.full_dbfs
        part = follow_strokes(track.samples, track.rate, full_dbfs=full, notes=notes, hits=given)
        map_ = fixed_tempo(track.rate) if chosen is None else chosen
        sizes: dict[str, int] = {}
        if out is not None:
            midi = midi_bytes(part.notes(), map_, track.path.stem)
            sizes |= _write(outputs, Path(out), midi)
        if write_hits is not None:
            listed = hits_bytes(part.hits, part.velocity)
            sizes |= _write(outputs, Path(write_hits), listed)
    return FollowReport(part, sizes, _content(track, part, map_, given, played))


def _write(outputs: OutputSet, path: Path, content: bytes) -> Mapping[str, int]:
    writer = Writer(outputs, path.parent)
    writer.write(path.name, content)
    return writer.sizes


def _load_set(folder: Path) -> SampleSet:
    from dsp.samples.sample_set import load_set

    return load_set(folder)


def _set_files(played: SampleSet) -> list[Path]:
    from dsp.samples.sample_set import MANIFEST

    sounds = [played.path(s, microphone) for s in played.samples for microphone in s.files]
    return [played.folder / MANIFEST, *sounds]


def _content(
    track: TrackFile,
    part: Part,
    tempo: TempoMap,
    given: GivenHits | None,
    played: SampleSet | None,
) -> dict[str, Any]:
    hits = part.hits
    return {
        "track": {"file": track.path.name, "sha256": track.sha256, "rate": track.rate},
        "hits_file": None if given is None else {"file": given.name, "sha256": given.sha256},
        "set": None if played is None else played.name,
        "strokes": len(hits),
        "ghosts": int(hits.ghost.sum()),
        "full_dbfs": part.full_dbfs,
        "louder_than_127": part.beyond if played is not None else 0,
        "ticks_per_quarter": tempo.ticks,
        "notes": [
            {"sample": int(at), "note": int(number), "velocity": int(velocity), "ghost": bool(soft)}
            for at, number, velocity, soft in zip(
                hits.onset, part.number, part.velocity, hits.ghost, strict=True
            )
        ],
        "remarks": list(hits.notes),
    }
