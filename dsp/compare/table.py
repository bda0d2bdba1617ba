# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures of all variants beside each other: as rows, and as a Markdown file."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from dsp.compare.contents import MeasureRow
from dsp.compare.measuring import Measured

MISSING = "–"


def beside(track: str, variants: Sequence[Sequence[Measured]]) -> list[MeasureRow]:
    """One row a measure from one list a variant, all in one order."""
    return [
        MeasureRow(
            track,
            several[0].name,
            several[0].unit,
            several[0].meaning,
            tuple(measured.value for measured in several),
        )
        for several in zip(*variants, strict=True)
    ]


def shown(value: float | None, unit: str) -> str:
    """A number as people read it; `–` where it is unknown."""
    if value is None:
        return MISSING
    digits = {"s": 2, "ms": 2, "%": 0, "°": 0, "": 0}.get(unit, 1)
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def markdown(title: str, names: Sequence[str], rows: Sequence[MeasureRow], match: str) -> str:
    """The table of each track, then what the measures mean."""
    parts = [f"# {_plain(title)}", match]
    for track, own in groupby(rows, key=lambda row: row.track):
        lines = [
            f"| {_plain(track)} | | {' | '.join(_plain(name) for name in names)} |",
            f"|---|---|{'--:|' * len(names)}",
        ]
        for row in own:
            values = " | ".join(shown(value, row.unit) for value in row.values)
            lines.append(f"| {row.name} | {row.unit} | {values} |")
        parts.append("\n".join(lines))
    meanings = {row.meaning: row.name for row in reversed(rows)}
    told = [f"- {name}: {meaning}" for meaning, name in reversed(meanings.items())]
    parts.append("\n".join(["What they mean (octaves: all alike):", "", *told]))
    return "\n\n".join(parts) + "\n"


def _plain(text: str) -> str:
    """User text that stays text within a table, whatever it holds."""
    line = " ".join(text.split())
    for mark in "\\`*_[]<>|#&":
        line = line.replace(mark, f"\\{mark}")
    return line
