# SPDX-License-Identifier: GPL-3.0-or-later
"""Standard MIDI Files: notes at their time to a fraction of a sample, and the tempo they lie in.

Decisions:

- Format 1: the first track holds tempo and time signatures, the second the notes, on channel 10
  (General MIDI percussion). The take's first sample is the file's time 0.
- Without a tempo, 120 beats a minute and as many ticks a quarter as make a tick one sample (44.1
  and 48 kHz) or a few: 24 000 at 48 kHz. With a tempo, the ticks a quarter are the smallest
  multiple of 960, or of the given file's own, at which a tick lasts 0.1 ms at most, so a stroke is
  at most 0.05 ms from its time, wherever it is: times are counted from the start, in whole numbers.
- Nothing written depends on clock or machine.

Sources: Standard MIDI Files 1.0 (RP-001), MIDI Manufacturers Association; General MIDI level 1
percussion map. The file's own bytes are mido's work.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dsp.errors import UsageError

if TYPE_CHECKING:
    from mido import MidiFile

DRUMS = 9  # channel 10, counted from 0
NOTE_LENGTH_S = Fraction(1, 20)
USUAL_TEMPO = 500_000  # microseconds a quarter: 120 beats a minute, what a file without tempo has
TICK_AT_MOST = 100  # microseconds
WORST_TICK = 190  # where a given file's own resolution leaves no finer one
MOST_TICKS = 32_767  # a quarter: 15 bits
LONGEST_DELTA = 0x0FFFFFFF
BPM = (10.0, 999.0)
GRID = 960  # ticks a quarter that programs commonly count in


@dataclass(frozen=True)
class Note:
    """One note: `at` in seconds from the start, `number` and `velocity` 1 … 127."""

    at: Fraction
    number: int
    velocity: int


@dataclass(frozen=True)
class TempoMap:
    """When each tick is.

    `ticks` a quarter; `tempi` are (tick, microseconds a quarter), rising, the first at tick 0;
    `metres` are (tick, numerator, denominator).
    """

    ticks: int
    tempi: tuple[tuple[int, int], ...] = ((0, USUAL_TEMPO),)
    metres: tuple[tuple[int, int, int], ...] = ()

    def tick_at(self, seconds: Fraction) -> int:
        """The tick nearest to a time, 0 or later."""
        begins, (tick, tempo) = self._part(lambda begins, _tick: begins <= seconds)
        return tick + round((seconds - begins) * 1_000_000 * self.ticks / tempo)

    def time_at(self, tick: int) -> Fraction:
        """The time of a tick in seconds."""
        begins, (first, tempo) = self._part(lambda _begins, first: first <= tick)
        return begins + Fraction((tick - first) * tempo, 1_000_000 * self.ticks)

    def _part(self, reached: Callable[[Fraction, int], bool]) -> tuple[Fraction, tuple[int, int]]:
        """The last tempo that has been `reached`, and when it begins."""
        begins = Fraction(0)
        found = begins, self.tempi[0]
        for (tick, tempo), later in pairwise(self.tempi):
            begins += Fraction((later[0] - tick) * tempo, 1_000_000 * self.ticks)
            if not reached(begins, later[0]):
                break
            found = begins, later
        return found


def fixed_tempo(rate: int) -> TempoMap:
    """120 beats a minute with ticks of one sample, or of the fewest that 15 bits can count."""
    samples = -(-rate // (2 * MOST_TICKS))
    return TempoMap(rate // (2 * samples))


def steady_tempo(bpm: float) -> TempoMap:
    """One tempo, in quarters a minute. Raises `UsageError` outside 10 to 999."""
    low, high = BPM
    if not low <= bpm <= high:
        raise UsageError(f"tempo: found {bpm:g} BPM; accepted: {low:g} to {high:g} BPM")
    tempo = round(60_000_000 / bpm)
    return TempoMap(_finer(GRID, tempo, "tempo"), ((0, tempo),))


def tempo_from(path: Path) -> TempoMap:
    """The tempo map of a MIDI file, its time signatures with it.

    Raises `UsageError` where the file cannot be read, or is too slow for its resolution.
    """
    read = _tempo_map(_open(Path(path)))
    times = _finer(read.ticks, max(tempo for _, tempo in read.tempi), str(path)) // read.ticks
    return TempoMap(
        read.ticks * times,
        tuple((tick * times, tempo) for tick, tempo in read.tempi),
        tuple((tick * times, over, under) for tick, over, under in read.metres),
    )


def _finer(ticks: int, slowest: int, name: str) -> int:
    """The smallest multiple of `ticks` that is fine enough."""
    times = min(-(-slowest // (TICK_AT_MOST * ticks)), MOST_TICKS // ticks)
    if slowest > WORST_TICK * ticks * times:
        raise UsageError(
            f"{name}: found {60e6 / slowest:.3g} BPM with {ticks} ticks a quarter, which places "
            "strokes no better than 0.1 ms; accepted: a faster tempo, or a file of 960 ticks"
        )
    return ticks * times


def midi_bytes(notes: Sequence[Note], tempo: TempoMap, name: str) -> bytes:
    """The MIDI file of `notes`, in order of time; `name` is that of their track.

    A note lasts 50 ms, or until the next one.
    """
    import mido

    conductor: list[tuple[int, Any]] = [
        (tick, mido.MetaMessage("set_tempo", tempo=microseconds))
        for tick, microseconds in tempo.tempi
    ]
    conductor += [
        (tick, mido.MetaMessage("time_signature", numerator=over, denominator=under))
        for tick, over, under in tempo.metres
    ]
    spelt = name.encode("utf-8", "replace").decode()  # file names may hold what is no text
    played: list[tuple[int, Any]] = [(0, mido.MetaMessage("track_name", name=spelt))]
    for note, (start, stop) in zip(notes, _spans(notes, tempo), strict=True):
        shared = {"channel": DRUMS, "note": note.number}
        played.append((start, mido.Message("note_on", velocity=note.velocity, **shared)))
        played.append((stop, mido.Message("note_off", velocity=64, **shared)))
    file = mido.MidiFile(type=1, ticks_per_beat=tempo.ticks, charset="utf-8")
    file.tracks = [_track(conductor), _track(played)]
    out = io.BytesIO()
    file.save(file=out)
    return out.getvalue()


def _spans(notes: Sequence[Note], tempo: TempoMap) -> list[tuple[int, int]]:
    """First and last tick of each note."""
    starts = [tempo.tick_at(note.at) for note in notes]
    spans = []
    for number, note in enumerate(notes):
        stop = tempo.tick_at(note.at + NOTE_LENGTH_S)
        following = starts[number + 1 : number + 2]
        spans.append((starts[number], min([stop, *following])))
    return spans


def _track(events: list[tuple[int, Any]]) -> Any:
    """A track of (tick, message); what is too far apart for one delta is bridged by empty text."""
    import mido

    track, now = mido.MidiTrack(), 0
    for tick, message in sorted(events, key=lambda event: event[0]):
        while tick - now > LONGEST_DELTA:
            track.append(mido.MetaMessage("text", text="", time=LONGEST_DELTA))
            now += LONGEST_DELTA
        track.append(message.copy(time=tick - now))
        now = tick
    return track


def read_notes(path: Path) -> list[Note]:
    """All notes of a MIDI file, on any channel and track, in order of time.

    Raises `UsageError` where it cannot be read.
    """
    file = _open(Path(path))
    tempo = _tempo_map(file)
    found = []
    for track in file.tracks:
        now = 0
        for message in track:
            now += message.time
            if message.type == "note_on" and message.velocity > 0:
                found.append(Note(tempo.time_at(now), message.note, message.velocity))
    return sorted(found, key=lambda note: (note.at, note.number))


def _open(path: Path) -> MidiFile:
    import mido

    try:
        file = mido.MidiFile(path)
    except OSError as error:
        raise UsageError(
            f"{path}: {error.strerror or error}; accepted: a Standard MIDI File"
        ) from error
    except (EOFError, ValueError, LookupError, mido.KeySignatureError) as error:
        why = str(error) or "the file ends too early"
        raise UsageError(f"{path}: found {why}; accepted: a Standard MIDI File") from error
    if file.ticks_per_beat <= 0 or file.type == 2:
        found = "time code as its clock" if file.type != 2 else "format 2"
        raise UsageError(f"{path}: found {found}; accepted: format 0 or 1, ticks a quarter note")
    return file


def _tempo_map(file: MidiFile) -> TempoMap:
    tempi = {0: USUAL_TEMPO}
    metres: dict[int, tuple[int, int]] = {}
    for track in file.tracks:
        now = 0
        for message in track:
            now += message.time
            if message.type == "set_tempo" and message.tempo > 0:
                tempi[now] = message.tempo
            elif message.type == "time_signature":
                metres[now] = (message.numerator, message.denominator)
    signatures = tuple((tick, *metres[tick]) for tick in sorted(metres))
    return TempoMap(file.ticks_per_beat, tuple(sorted(tempi.items())), signatures)
