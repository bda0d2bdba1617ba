# SPDX-License-Identifier: GPL-3.0-or-later
"""Small tables that people write or edit by hand: CSV with a header, comments and empty lines.

Decisions:

- Comma-separated, UTF-8 with or without a byte-order mark, any line end. What follows `#` is a
  comment, at the start of a line or after a space or a comma. Columns may stand in any order; a
  cell may be empty.
- All faults of a table are told at once, each with its line and its column.
"""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

from dsp.errors import Fault, ListError, UsageError

Value = TypeVar("Value")
COMMENT = re.compile(r"(^|(?<=[\s,]))#.*")


@dataclass(frozen=True)
class Row:
    """One row: its line in the file, and its cells by column, stripped; missing ones are empty."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True)
class Table:
    """A table as it was read; `faults` collects what is wrong with it."""

    path: Path
    sha256: str
    rows: tuple[Row, ...]
    faults: list[Fault] = field(default_factory=list)

    def value(self, row: Row, column: str, parse: Callable[[str], Value]) -> Value | None:
        """The cell's value, None where it is empty or wrong; `parse` raises `ValueError`."""
        text = row.cells.get(column, "")
        if not text:
            return None
        try:
            return parse(text)
        except ValueError as error:
            self.fault(row, column, f"found {text!r}; accepted: {error}")
            return None

    def fault(self, row: Row, column: str, message: str) -> None:
        """Note a fault."""
        self.faults.append(Fault(row.line, column, message))

    def check(self) -> None:
        """Raise `ListError` where faults were noted, in the order of the lines."""
        if self.faults:
            raise ListError(str(self.path), sorted(self.faults, key=lambda f: f.line or 0))


def read_table(path: Path, columns: tuple[str, ...], needed: tuple[str, ...]) -> Table:
    """Read a table whose header names some of `columns`, and at least one of `needed`.

    Raises `UsageError` where there is no such file or it is no text, `ListError` where the header
    is wrong. Faults of the rows are noted, and raised by `Table.check`.
    """
    path = Path(path)
    try:
        content = path.read_bytes()
        text = content.decode("utf-8-sig")
    except OSError as error:
        raise UsageError(f"{path}: {error.strerror or error}; accepted: a CSV file") from error
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{path}: byte {error.start} is not UTF-8; accepted: a CSV file"
        ) from error
    table = Table(path, hashlib.sha256(content).hexdigest(), ())
    header: list[str] | None = None
    rows = []
    for number, written in enumerate(text.splitlines(), start=1):
        line = COMMENT.sub("", written)
        if not line.strip(" \t,"):
            continue
        cells = [cell.strip() for cell in next(csv.reader([line]))]
        if header is None:
            header = cells
            _check_header(path, number, header, columns, needed)
            continue
        row = Row(number, dict(zip(header, cells, strict=False)))
        if any(cells[len(header) :]):
            table.fault(row, "", f"found {len(cells)} cells; accepted: {len(header)}")
        rows.append(row)
    if header is None:
        accepted = f"a header line, for example {','.join(columns)}"
        raise ListError(str(path), [Fault(None, "", f"found no header; accepted: {accepted}")])
    return Table(path, table.sha256, tuple(rows), table.faults)


def _check_header(
    path: Path, line: int, header: list[str], columns: tuple[str, ...], needed: tuple[str, ...]
) -> None:
    accepted = f"accepted: {', '.join(columns)}, separated by commas"
    faults = [
        Fault(line, name, f"found no column of this name; {accepted}")
        for name in header
        if name not in columns
    ]
    twice = sorted({name for name in header if header.count(name) > 1})
    faults += [Fault(line, name, "found twice; accepted: each column once") for name in twice]
    if not faults and not set(needed) & set(header):
        named = " or ".join(needed)
        faults.append(Fault(line, named, f"found no such column; {accepted}"))
    if faults:
        raise ListError(str(path), faults)


def number_within(low: float, high: float, unit: str = "") -> Callable[[str], float]:
    """A parser of numbers from `low` to `high`; a trailing `unit` may be written."""
    words = f"a number from {low:g} to {high:g}{f' {unit}' if unit else ''}"

    def parse(text: str) -> float:
        try:
            value = float(text.removesuffix(unit).strip().replace("−", "-"))
        except ValueError:
            raise ValueError(words) from None
        if not low <= value <= high:
            raise ValueError(words)
        return value

    return parse


def whole_within(low: int, high: int) -> Callable[[str], int]:
    """A parser of whole numbers from `low` to `high`."""
    words = f"a whole number from {low} to {high}"

    def parse(text: str) -> int:
        value = int(text) if text.isascii() and text.isdigit() else low - 1
        if not low <= value <= high:
            raise ValueError(words)
        return value

    return parse
