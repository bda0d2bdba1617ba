# SPDX-License-Identifier: GPL-3.0-or-later
"""All that a comparison found, as rows of measures and as notes for people."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dsp.compare.contents import MeasureRow
from dsp.compare.difference import decibels
from dsp.compare.excerpt import Excerpt
from dsp.compare.match import Match
from dsp.compare.measuring import Measured
from dsp.compare.phase import SAME_DEGREES, SAME_MS, UNMOVED, Alignment
from dsp.compare.prints import Prints
from dsp.compare.sound import MOST_CHANNELS
from dsp.compare.table import beside
from dsp.compare.tracks import TrackWork
from dsp.take import Samples


@dataclass(frozen=True, eq=False)
class Findings:
    """All that was found. `sounds` are the stretches as printed: by sound, one per variant."""

    title: str
    prints: Prints
    excerpt: Excerpt
    works: Mapping[str, TrackWork]
    sounds: Mapping[str, tuple[Samples, ...]]
    match: Match

    @property
    def reference(self) -> str:
        """The track to which delays and phases of the others are measured."""
        return self.prints.plan.tracks[0]

    def lies(self, track: str) -> tuple[Alignment | None, ...]:
        """How a track lies to the reference track, in each variant."""
        own, reference = self.works[track], self.works[self.reference]
        return tuple(
            None
            if own.lies is None or moved is None or other is None
            else own.lies.moved_by(moved, other)
            for moved, other in zip(own.moved, reference.moved, strict=True)
        )


def measure_rows(found: Findings) -> list[MeasureRow]:
    """All measures: of each track, then of the sum."""
    rows = []
    for sound in found.sounds:
        rows += beside(sound, _stretch_rows(found, sound))
        if sound in found.works:
            rows += beside(sound, found.works[sound].rows)
            rows += beside(sound, _removed_rows(found.works[sound]))
        if sound in found.works and sound != found.reference:
            lies = found.lies(sound)
            rows += beside(sound, [_place(each, lies[0], found.reference) for each in lies])
    return rows


def _stretch_rows(found: Findings, sound: str) -> list[list[Measured]]:
    """Of the compared stretch; the gain is that of matching alone, without what lowers all."""
    return [
        [
            Measured("loudness", "LUFS", "BS.1770, of the compared stretch, as printed", read.lufs),
            Measured(
                "true peak", "dBTP", "of the compared stretch, as printed", read.true_peak_dbtp
            ),
            Measured(
                "gain to match",
                "dB",
                "what makes the stretch as loud as the raw one",
                read.gain_db - found.match.lowered_db,
            ),
        ]
        for read in found.match.readings[sound]
    ]


def _removed_rows(work: TrackWork) -> list[list[Measured]]:
    by_variant = {each.second: each.found for each in work.differences if each.first == 0}
    return [
        [
            Measured(
                "difference from raw",
                "dB",
                "RMS of what was taken away and put in, re that of the raw track",
                by_variant[number].relative_db if number in by_variant else None,
            )
        ]
        for number in range(len(work.cut))
    ]


def _place(lies: Alignment | None, raw: Alignment | None, reference: str) -> list[Measured]:
    return [
        Measured(
            f"delay after {reference}",
            "ms",
            "of the strokes, to the sample, and what a print moved; negative is earlier",
            None if lies is None else lies.delay_ms,
        ),
        Measured(
            f"phase against {reference}",
            "°",
            "of the strokes, in the octave around the fundamental",
            None if lies is None else lies.phase_degrees,
        ),
        Measured(
            f"turned against {reference}, at most",
            "°",
            "phase less that in the raw take, in the octave from 125 Hz to 8 kHz where it is most",
            None if lies is None or raw is None else lies.moved_by(UNMOVED, raw).most_turned,
        ),
    ]


def variant_notes(found: Findings, number: int) -> tuple[str, ...]:
    """What people should know of one variant."""
    prints = found.prints
    notes = list(prints.notes[number])
    groups = [name for name in prints.summed(number) if name not in found.works]
    if groups:
        notes.append(f"the sum is made of the prints of {', '.join(prints.summed(number))}")
    for track, work in found.works.items():
        if number > 0 and not prints.treated(number, track):
            notes.append(f"{track}: as recorded")
        notes += _moved_note(found, track, number) if number > 0 else []
        notes += [
            f"{track}: {each.found.inexact} samples are given back by raw plus difference only "
            f"to within {decibels(each.found.astray):.0f} dBFS".replace("-", "−")
            for each in work.differences
            if (each.first, each.second) == (0, number) and each.found.inexact
        ]
    for sound, readings in found.match.readings.items():
        if readings[number].silent:
            notes.append(f"{sound}: silent in this stretch, not matched")
    return tuple(notes)


def _moved_note(found: Findings, track: str, number: int) -> list[str]:
    """Whether a print moved a track against the reference; alone, against the raw track."""
    if len(found.works) == 1:
        moved = found.works[track].moved[number]
        if moved is None or moved.same_as(UNMOVED):
            return []
        return [f"{track}: against the raw track, {_told(moved)}"]
    if track == found.reference:
        return []
    raw, lies = found.lies(track)[0], found.lies(track)[number]
    if raw is None or lies is None:
        return [f"{track}: delay and phase against {found.reference} could not be measured"]
    if lies.same_as(raw):
        return [f"{track}: delay and phase against {found.reference} unchanged"]
    change = lies.moved_by(UNMOVED, raw)
    return [f"{track}: against {found.reference}, compared with the raw take: {_told(change)}"]


def _told(moved: Alignment) -> str:
    parts = []
    if abs(moved.delay_ms) > SAME_MS:
        parts.append(f"{abs(moved.delay_ms):.2f} ms {'later' if moved.delay_ms > 0 else 'earlier'}")
    if abs(moved.most_turned) > SAME_DEGREES:
        parts.append(f"phase turned by up to {moved.most_turned:+.0f}°".replace("-", "−"))
    return ", ".join(parts)


def take_notes(found: Findings) -> list[str]:
    """What people should know of the whole comparison."""
    notes = []
    prints = found.prints
    for track, work in found.works.items():
        notes += [f"{track}: {note}" for note in prints.hits_of(track).notes]
        if work.cut[0].shape[1] > MOST_CHANNELS:
            notes.append(f"{track}: heard as the mean of its {work.cut[0].shape[1]} channels")
        if work.lies is not None and not work.sure:
            against = found.reference
            notes.append(f"{track}: the strokes do not agree on the delay after {against}")
        key = prints.plan.keys[track]
        if key != track:
            notes.append(f"{track}: measured at the strokes of {key}")
    return notes
