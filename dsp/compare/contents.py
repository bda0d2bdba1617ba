# SPDX-License-Identifier: GPL-3.0-or-later
"""What the page of a comparison shows: the contract between those who measure and who draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dsp.hits.hitmap import HitMap
from dsp.lanes.data import Lane
from dsp.take import Samples


@dataclass(frozen=True)
class MeasureRow:
    """One measure of all variants, beside each other.

    `track` is the track that was measured, `sum` for all together; `name` says what it is and
    `unit` in what (`dB`, `s`; empty for a bare number); `meaning` is one sentence for people.
    `values` has one entry per variant, in the order of the variants; None where it is unknown.
    Rows of one track follow each other.
    """

    track: str
    name: str
    unit: str
    meaning: str
    values: tuple[float | None, ...]


@dataclass(frozen=True, eq=False)
class PageVariant:
    """One variant of the take.

    `name` is unique; it, `about` and the notes are the user's text and may hold anything, markup
    included: whoever writes them into a page escapes them. `sounds` maps what can be listened to (a
    track, or `sum`) to the matched excerpt, float64 (frames, channels). Each sound is matched on
    its own, so that a track alone is as fair to judge as the sum: `match_db` maps it to the gain
    that is already in it; without that gain, it is the print as printed. `lanes` maps a track, or a
    group of the variant's recipe, to what its steps decided over the whole take; it is empty for
    the raw tracks and ready files.
    """

    name: str
    about: str
    match_db: Mapping[str, float]
    sounds: Mapping[str, Samples]
    lanes: Mapping[str, tuple[Lane, ...]]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class PageContents:
    """Everything the page shows.

    `rate` in hertz. The excerpt starts at sample `start` of the take and has `frames` samples;
    curves and hit maps count samples from the start of the take. `listen` names what can be
    listened to, in order; `sum` is last where there are several tracks. The raw take is the first
    variant. `hits` maps each track to the strokes that it is measured at. `match` tells people how
    loudness was matched, and by how much everything was lowered. A difference is that of the
    prints as printed: undo each sound's `match_db` before subtracting.
    """

    title: str
    rate: int
    start: int
    frames: int
    listen: tuple[str, ...]
    variants: tuple[PageVariant, ...]
    hits: Mapping[str, HitMap]
    measures: tuple[MeasureRow, ...]
    match: str
    notes: tuple[str, ...] = ()
