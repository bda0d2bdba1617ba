# SPDX-License-Identifier: GPL-3.0-or-later
"""Every error a user can meet. The command line turns each into one message and an exit status.

Each class is also a child of the built-in that fits, so that library users can catch either.
"""

from __future__ import annotations

from dataclasses import dataclass


class DrumprintError(Exception):
    """Base of all errors of this package; `exit_status` is what the command line returns."""

    exit_status = 1


class UsageError(DrumprintError, ValueError):
    """The call or the command line asks for something that cannot be done."""

    exit_status = 2


class OutputError(DrumprintError, OSError):
    """A result could not be written; nothing appears under its final name."""

    exit_status = 1


class EffectError(DrumprintError, RuntimeError):
    """A foreign effect could not be loaded, or failed, or gave back what is no audio."""

    exit_status = 1


class AudioError(DrumprintError, ValueError):
    """An audio file is unusable. The message names the file, the place, found and accepted."""

    exit_status = 3


@dataclass(frozen=True)
class Fault:
    """One fault of a file: where it is, what was found and what is accepted."""

    line: int | None  # 1-based; None where the document has no such place
    path: str  # e.g. "tracks.top.steps[2].gate.hold", or the column of a list
    message: str
    file: str = ""  # the file, where it is another than the recipe's own

    def __str__(self) -> str:
        place = f"line {self.line}" if self.line is not None else "no line"
        file = f"{self.file}, " if self.file else ""
        return f"{file}{place}, {self.path or 'document'}: {self.message}"


class FaultsError(DrumprintError, ValueError):
    """A file written by hand is wrong; `faults` lists everything that is wrong with it at once."""

    exit_status = 2

    def __init__(self, source: str, faults: list[Fault]) -> None:
        self.source = source
        self.faults = tuple(faults)
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        super().__init__("\n".join([f"{source}: {count}", *(f"  {fault}" for fault in faults)]))


class RecipeError(FaultsError):
    """A recipe is wrong."""


class ListError(FaultsError):
    """A list of strokes or of levels is wrong; the path of a fault is the column's name."""
