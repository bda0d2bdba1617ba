# SPDX-License-Identifier: GPL-3.0-or-later
"""A read document: plain data, and the line on which each part of it is written."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from dsp.errors import Fault

Place = tuple[str | int, ...]


def place_text(place: Place) -> str:
    """Write a place as messages do: `tracks.top.steps[2].gate.hold`."""
    text = ""
    for part in place:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


@dataclass
class Node:
    """One value of the document: `data` in plain Python, and where its parts stand."""

    data: Any
    line: int
    size: int = 1  # values, with aliases written out
    height: int = 1
    whole: bool = True  # false while the value's end has not been reached
    parts: dict[str | int, Node] = field(default_factory=dict)
    lines: dict[str | int, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Document:
    """What was read: the root (None where nothing usable was), the faults, and their places."""

    root: Node | None
    faults: tuple[Fault, ...]
    spoiled: frozenset[Place]

    @property
    def data(self) -> Any:
        """The document as plain Python data."""
        return self.root.data if self.root else None

    def known(self, place: Place) -> Place:
        """Drop the parts of `place` that the document does not have.

        A step that is written as its bare name has that name as a part.
        """
        node, kept = self.root, []
        for part in place:
            if node is not None and part in node.parts:
                kept.append(part)
                node = node.parts[part]
            elif node is not None and part == node.data:
                kept.append(part)
                node = None
        return tuple(kept)

    def line(self, place: Place) -> int | None:
        """Line (1-based) where `place`, or what is nearest around it, is written."""
        node = self.root
        line = node.line if node else None
        for part in place:
            if node is None or part not in node.parts:
                break
            line = node.lines[part]
            node = node.parts[part]
        return line
