# SPDX-License-Identifier: GPL-3.0-or-later
"""Tables of the sound bench: printed, and saved as Markdown and CSV."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

Row = dict[str, float]

WIDE = 180
"""Characters a line where output is no terminal."""


@dataclass(frozen=True)
class Table:
    """One table: `columns` maps a key to its heading; one row a take, and their mean at the end.

    Attributes:
        title: heading of the table.
        notes: what the columns mean, one sentence or two.
        columns: key → heading.
        percent: keys shown as percentages.
        decimals: key → digits after the point, 1 unless said.

    """

    title: str
    notes: str
    columns: dict[str, str]
    percent: frozenset[str] = frozenset()
    decimals: tuple[tuple[str, int], ...] = ()

    def cell(self, key: str, value: float) -> str:
        """`value` as shown; a dash where there is none."""
        if math.isnan(value):
            return "–"
        if key in self.percent:
            return f"{100.0 * value:.0f} %"
        return f"{value:.{dict(self.decimals).get(key, 1)}f}"


def means(rows: dict[str, Row]) -> Row:
    """Mean of each measure over the takes that have it; infinite ones are left out."""
    made: Row = {}
    for key in dict.fromkeys(key for row in rows.values() for key in row):
        values = [row[key] for row in rows.values() if math.isfinite(row.get(key, math.nan))]
        made[key] = float(np.mean(values)) if values else math.nan
    return made


def lines(table: Table, rows: dict[str, Row]) -> list[list[str]]:
    """Cells of the table, heading first and means last."""
    head = ["take", *table.columns.values()]
    body = {**rows, "mean": means(rows)}
    return [head] + [
        [name, *(table.cell(key, row.get(key, math.nan)) for key in table.columns)]
        for name, row in body.items()
    ]


def show(tables: list[Table], rows: dict[str, Row]) -> None:
    """Print the tables to the terminal."""
    from rich.console import Console
    from rich.table import Table as Grid

    console = Console()
    if not console.is_terminal:
        console = Console(width=WIDE)  # a file or a pipe has room for every column
    for table in tables:
        cells = lines(table, rows)
        grid = Grid(title=table.title, caption=table.notes)
        for number, heading in enumerate(cells[0]):
            grid.add_column(
                heading, justify="left" if number == 0 else "right", no_wrap=number == 0
            )
        for row in cells[1:-1]:
            grid.add_row(*row)
        grid.add_section()
        grid.add_row(*cells[-1])
        console.print(grid)


def save(tables: list[Table], rows: dict[str, Row], about: str, folder: Path, stem: str) -> None:
    """Write `stem.md` (the tables) and `stem.csv` (every measure in full)."""
    folder.mkdir(parents=True, exist_ok=True)
    text = [f"# {stem.replace('_', ' ').capitalize()}", "", about]
    for table in tables:
        head, *body = lines(table, rows)
        text += ["", f"## {table.title}", "", table.notes, ""]
        text.append("| " + " | ".join(head) + " |")
        text.append("|---" + "|--:" * (len(head) - 1) + "|")
        text += ["| " + " | ".join(row) + " |" for row in body]
    (folder / f"{stem}.md").write_text("\n".join(text) + "\n", encoding="utf-8")
    keys = list(means(rows))
    with (folder / f"{stem}.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        writer.writerow(["take", *keys])
        for name, row in {**rows, "mean": means(rows)}.items():
            writer.writerow([name, *(f"{row.get(key, math.nan):.4f}" for key in keys)])
