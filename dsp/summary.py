# SPDX-License-Identifier: GPL-3.0-or-later
"""What a person reads at the end of a run, and a step's settings in one line."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel

from dsp.measures import Change, Measures, compare

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.table import Table

    from dsp.steps.base import Settings


def summarise(step: Settings) -> str:
    """The settings that differ from the defaults, as a recipe writes them: `share 60 %, …`.

    Where none differs, all are given. Lists of bands give one part a band, separated by `;`, with
    what differs from a band's defaults.
    """
    return _settings(_chosen(step))


def _chosen(settings: BaseModel) -> dict[str, Any]:
    """What differs from the defaults, or everything where nothing does."""
    written = settings.model_dump(mode="json")
    plain = type(settings).model_construct().model_dump(mode="json", warnings=False)
    kept = {"name", "shape"}  # what a band is called by, default or not
    chosen = {
        key: value for key, value in written.items() if key in kept or value != plain.get(key)
    }
    chosen = chosen if chosen.keys() - kept else written
    for key in chosen:
        items = getattr(settings, key)
        if isinstance(items, tuple) and items and isinstance(_step_name(items[0]), str):
            chosen[key] = ", ".join(
                _step_name(item) for item in items
            )  # steps have their own lanes
        elif isinstance(items, tuple):
            chosen[key] = [_chosen(i) if isinstance(i, BaseModel) else i for i in items]
    return chosen


def _step_name(item: Any) -> Any:
    """What a recipe calls a step; None for what is no step."""
    return getattr(type(item), "name", None)


def _settings(values: Mapping[str, Any]) -> str:
    singles, groups = [], []
    for key, value in values.items():
        words = key.replace("_", " ")
        if value is None:
            continue
        if isinstance(value, Mapping):
            groups.append(f"{words}: {_settings(value)}")
        elif isinstance(value, Sequence) and not isinstance(value, str):
            groups += [_item(item) for item in value]
        else:
            singles.append(f"{words} {_plain(value)}")
    return "; ".join([*([", ".join(singles)] if singles else []), *groups])


def _item(item: Any) -> str:
    if not isinstance(item, Mapping):
        return _plain(item)
    others = {key: value for key, value in item.items() if key not in {"name", "shape"}}
    words = " ".join([*([item["shape"]] if item.get("shape") else []), _settings(others)])
    return f"{item['name']}: {words}" if item.get("name") else words


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    text = f"{value:g}" if isinstance(value, float) else str(value)
    text = re.sub(r"\d+\.\d{3,}", lambda number: f"{float(number.group()):.4g}", text)
    return re.sub(r"(?<!\S)-(?=[\d.])", "−", text)


@dataclass(frozen=True)
class FileWritten:
    """A file of the print: its name and its size in bytes."""

    name: str
    size: int


@dataclass(frozen=True)
class TrackSummary:
    """One track of a finished run; `notes` are what a user should know before trusting it."""

    track: str
    before: Measures
    after: Measures
    files: tuple[FileWritten, ...] = ()
    notes: tuple[str, ...] = ()


def show_summary(
    console: Console, tracks: Sequence[TrackSummary], others: Sequence[FileWritten] = ()
) -> None:
    """Print one table a track, its files and notes, then the files that belong to all tracks."""
    for summary in tracks:
        for part in _track(summary):
            console.print(part)
    if others:
        console.print(_files("for all tracks", others))


def _track(summary: TrackSummary) -> list[RenderableType]:
    from rich.text import Text

    change = compare(summary.before, summary.after)
    parts: list[RenderableType] = [
        Text.assemble((summary.track, "bold"), f"  {strokes(summary.before)}"),
        *([_table(change)] if rows(change) else []),
    ]
    if summary.files:
        parts.append(_files("files", summary.files))
    notes = dict.fromkeys((*summary.notes, *change.notes))
    parts += [_line("note", note, "yellow") for note in notes]
    return [*parts, Text("")]


def strokes(measures: Measures) -> str:
    """`42 strokes: 30 full, 12 ghost notes`."""
    if measures.hits == 0:
        return "no strokes found"
    count = "1 stroke" if measures.hits == 1 else f"{measures.hits} strokes"
    ghosts = "1 ghost note" if measures.ghosts == 1 else f"{measures.ghosts} ghost notes"
    return f"{count}: {measures.hits - measures.ghosts} full, {ghosts}"


def _table(change: Change) -> Table:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table

    table = Table(box=SIMPLE_HEAD, pad_edge=False, header_style="dim")
    table.add_column("")
    for heading in ("before", "after", "change"):
        table.add_column(heading, justify="right", no_wrap=True)
    for row in rows(change):
        table.add_row(*row)
    return table


def rows(change: Change) -> list[tuple[str, str, str, str]]:
    """The table's rows: what, before, after, change in plain words; `–` where not measured."""
    before, after = change.before, change.after
    listed = [
        _row("bleed between strokes, RMS", before.bleed_rms_dbfs, after.bleed_rms_dbfs),
        _row("spread of full strokes (σ)", before.spread_db, after.spread_db, SPREAD, "dB"),
        _row(
            "ghosts below full strokes",
            before.ghost_distance_db,
            after.ghost_distance_db,
            DISTANCE,
            "dB",
        ),
    ]
    listed += [
        _row(f"ring at {ring.hz:.0f} Hz, RMS", ring.level_before_dbfs, ring.level_after_dbfs)
        for ring in sorted(change.rings, key=lambda ring: ring.hz)
    ]
    peaks = (_number(before.peak_dbfs, "dBFS"), _number(after.peak_dbfs, "dBFS"))
    listed.append(("highest peak", *peaks, _clipped(after.clipped)))
    return [row for row in listed if row[1:3] != (MISSING, MISSING)]


MISSING = "–"
LEVEL, SPREAD, DISTANCE = ("down", "up"), ("narrower", "wider"), ("closer", "further")


def _row(
    what: str,
    before: float | None,
    after: float | None,
    words: tuple[str, str] = LEVEL,
    unit: str = "dBFS",
) -> tuple[str, str, str, str]:
    """One row; the change is that of the numbers as they are shown, so that the row adds up."""
    moved = MISSING
    if before is not None and after is not None:
        less = round(round(before, 1) - round(after, 1), 1)
        direction = words[0] if less > 0 else words[1]
        moved = f"{direction} by {_number(abs(less), 'dB')}" if less else "unchanged"
    return what, _number(before, unit), _number(after, unit), moved


def _number(value: float | None, unit: str) -> str:
    if value is None:
        return MISSING
    return f"{round(value, 1) + 0.0:.1f} {unit}".replace("-", "−")


def _clipped(count: int) -> str:
    if count == 0:
        return ""
    return "1 sample clipped" if count == 1 else f"{count} samples clipped"


def _files(label: str, files: Sequence[FileWritten]) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    table.add_column(no_wrap=True, justify="right")
    for row, file in enumerate(files):
        table.add_row(Text("" if row else f"{label}:", "dim"), Text(file.name), size(file.size))
    return table


def size(count: int) -> str:
    """Bytes as people write them, decimal units: `940 B`, `34.6 MB`."""
    value, units = float(count), ["B", "kB", "MB", "GB", "TB"]
    while value >= 999.5 and len(units) > 1:
        value, units = value / 1000, units[1:]
    return f"{value:.3g} {units[0]}"


def _line(label: str, words: str, style: str = "") -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    table.add_row(Text(f"{label}:", style="dim"), Text(words, style=style))
    return table
