# SPDX-License-Identifier: GPL-3.0-or-later
"""MIDI files: bytes by the published examples, times, tempo maps, and another library's reading."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
import symusic
from hypothesis import given, settings
from hypothesis import strategies as st

from dsp.errors import UsageError
from dsp.samples.midi import (
    LONGEST_DELTA,
    Note,
    TempoMap,
    fixed_tempo,
    midi_bytes,
    read_notes,
    steady_tempo,
    tempo_from,
)

# Variable-length quantities: the examples of Standard MIDI Files 1.0 (RP-001).
QUANTITIES = {
    0x00: "00",
    0x40: "40",
    0x7F: "7f",
    0x80: "81 00",
    0x2000: "c0 00",
    0x3FFF: "ff 7f",
    0x4000: "81 80 00",
    0x100000: "c0 80 00",
    0x1FFFFF: "ff ff 7f",
    0x200000: "81 80 80 00",
    0x8000000: "c0 80 80 00",
    0x0FFFFFFF: "ff ff ff 7f",
}
RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def at_tick(tick: int, tempo: TempoMap) -> bytes:
    """A file with one stroke at a tick."""
    return midi_bytes([Note(tempo.time_at(tick), 38, 100)], tempo, "top")


@pytest.mark.parametrize("tick", QUANTITIES)
def test_a_strokes_time_is_written_as_the_standards_examples_say(tick: int) -> None:
    made = at_tick(tick, TempoMap(480))
    # "Note-on, channel 10, acoustic snare" with velocity 100: 99 26 64 (General MIDI level 1)
    assert bytes.fromhex(QUANTITIES[tick] + "99 26 64") in made


def test_the_header_and_the_ends_are_the_standards() -> None:
    made = at_tick(960, TempoMap(480))
    # Header chunk, format 1, two tracks, 480 ticks a quarter; then the tempo 120 as in RP-001.
    assert made.startswith(bytes.fromhex("4D546864 00000006 0001 0002 01E0 4D54726B"))
    assert bytes.fromhex("00 FF 51 03 07 A1 20") in made
    assert made.endswith(bytes.fromhex("FF 2F 00"))
    assert made.count(b"\xff\x2f\x00") == 2
    assert bytes.fromhex("87 40 99 26 64") in made  # 1 s: 960 ticks (computed)
    assert b"\xff\x03\x03top" in made


@pytest.mark.parametrize("rate", RATES)
def test_without_a_tempo_every_sample_has_its_tick_or_half_of_one(rate: int) -> None:
    tempo = fixed_tempo(rate)
    hours = 3 * 3600 * rate
    for sample in (0, 1, 2, 12_345, hours, hours + 1):
        time = Fraction(sample, rate)
        off = abs(tempo.time_at(tempo.tick_at(time)) - time)
        assert off * rate <= (0 if rate <= 48_000 else 2)
        assert off < Fraction(2, 100_000)


@given(
    bpm=st.floats(10, 999),
    sample=st.integers(0, 48_000 * 3600 * 5),
)
@settings(max_examples=200, deadline=None)
def test_a_steady_tempo_keeps_times_within_a_twentieth_of_a_millisecond(
    bpm: float, sample: int
) -> None:
    tempo, time = steady_tempo(bpm), Fraction(sample, 48_000)
    assert abs(tempo.time_at(tempo.tick_at(time)) - time) <= Fraction(95, 1_000_000)
    assert abs(tempo.tempi[0][1] - 60e6 / bpm) <= 0.5
    assert tempo.ticks % 960 == 0


@pytest.mark.parametrize("bpm", [9.9, 1000.0, float("nan")])
def test_a_tempo_outside_is_refused(bpm: float) -> None:
    with pytest.raises(UsageError, match="accepted: 10 to 999 BPM"):
        steady_tempo(bpm)


def a_song(path: Path, ticks: int = 480) -> Path:
    """A MIDI file with tempo changes and a metre."""
    import mido

    song = mido.MidiFile(ticks_per_beat=ticks)
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("time_signature", numerator=7, denominator=8))
    track.append(mido.MetaMessage("set_tempo", tempo=600_000))
    track.append(mido.MetaMessage("set_tempo", tempo=333_333, time=8 * ticks))
    track.append(mido.MetaMessage("set_tempo", tempo=1_500_000, time=4 * ticks))
    song.tracks.append(track)
    song.save(path)
    return path


def test_a_given_files_tempo_map_is_kept_and_strokes_stay_at_their_time(tmp_path: Path) -> None:
    tempo = tempo_from(a_song(tmp_path / "song.mid"))
    assert tempo.ticks % 480 == 0
    quarter = tempo.ticks
    assert tempo.tempi == ((0, 600_000), (8 * quarter, 333_333), (12 * quarter, 1_500_000))
    assert tempo.metres == ((0, 7, 8),)
    times = [Fraction(n * 12_347, 48_000) for n in range(60)]
    notes = [Note(time, 38, 1 + n) for n, time in enumerate(times)]
    made = tmp_path / "made.mid"
    made.write_bytes(midi_bytes(notes, tempo, "top"))
    for written, meant in zip(read_notes(made), notes, strict=True):
        assert abs(written.at - meant.at) < Fraction(1, 10_000)
        assert (written.number, written.velocity) == (meant.number, meant.velocity)
    again = tempo_from(made)
    assert again.tempi == tempo.tempi
    assert again.metres == tempo.metres


def test_another_library_reads_the_same(tmp_path: Path) -> None:
    tempo = tempo_from(a_song(tmp_path / "song.mid"))
    times = [Fraction(n * 12_347, 48_000) for n in range(60)]
    made = midi_bytes([Note(t, 38 + 2 * (n % 2), 1 + n) for n, t in enumerate(times)], tempo, "top")
    score = symusic.Score.from_midi(made, ttype="second")
    (track,) = score.tracks
    assert track.is_drum
    assert track.name == "top"
    assert [note.velocity for note in track.notes] == list(range(1, 61))
    assert [note.pitch for note in track.notes] == [38, 40] * 30
    for note, time in zip(track.notes, times, strict=True):
        assert note.time == pytest.approx(float(time), abs=1e-4)
        assert note.duration == pytest.approx(0.05, abs=2e-4)


def test_a_name_that_is_no_text_does_not_stop_the_file() -> None:
    made = midi_bytes([Note(Fraction(1), 38, 90)], fixed_tempo(48_000), "top \udce9 é")
    (track,) = symusic.Score.from_midi(made).tracks
    assert track.name == "top ? é"


def test_a_note_ends_where_the_next_begins() -> None:
    tempo = fixed_tempo(48_000)
    made = midi_bytes(
        [Note(Fraction(0), 38, 90), Note(Fraction(480, 48_000), 38, 80)], tempo, "top"
    )
    first = symusic.Score.from_midi(made, ttype="tick").tracks[0].notes[0]
    assert (first.time, first.duration) == (0, 480)


def test_a_gap_longer_than_one_delta_can_say_is_bridged(tmp_path: Path) -> None:
    tempo, far = TempoMap(24_000), 2 * LONGEST_DELTA + 1000
    path = tmp_path / "far.mid"
    path.write_bytes(at_tick(far, tempo))
    (note,) = read_notes(path)
    assert note.at == tempo.time_at(far)


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "file ends too early"),
        (b"RIFF no midi at all, but long enough", "MThd not found"),
        (bytes.fromhex("4D546864 00000006 0000 0001 E728 4D54726B 00000004 00FF2F00"), "time code"),
        (bytes.fromhex("4D546864 00000006 0002 0001 01E0 4D54726B 00000004 00FF2F00"), "format 2"),
        (bytes.fromhex("4D546864 00000006 0001 0001 01E0 4D54726B 000000FF 00"), "too early"),
    ],
)
def test_what_is_no_midi_file_is_refused(tmp_path: Path, content: bytes, found: str) -> None:
    path = tmp_path / "song.mid"
    path.write_bytes(content)
    for read in (tempo_from, read_notes):
        with pytest.raises(UsageError, match=found) as refused:
            read(path)
        assert str(path) in str(refused.value)
        assert "accepted: " in str(refused.value)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"none\.mid: No such file"):
        tempo_from(tmp_path / "none.mid")


def test_a_tempo_too_slow_for_its_ticks_is_refused(tmp_path: Path) -> None:
    import mido

    path = tmp_path / "slow.mid"
    song = mido.MidiFile(ticks_per_beat=17_000)
    song.tracks.append(mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=6_000_000)]))
    song.save(path)
    with pytest.raises(UsageError, match="faster tempo"):
        tempo_from(path)
