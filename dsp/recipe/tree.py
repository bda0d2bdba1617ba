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
    """One value of the document: `data` in plain Python, and where its parts stand.

    `source` names the file of the value and its parts where it is not that of what is around it;
    `written` is the place there of a value that stands here by a reference.
    """

    data: Any
    line: int
    size: int = 1  # values, with aliases written out
    height: int = 1
    whole: bool = True  # false while the value's end has not been reached
    parts: dict[str | int, Node] = field(default_factory=dict)
    lines: dict[str | int, int] = field(default_factory=dict)
    source: str | None = None
    written: Place | None = None

    def line_of(self, place: Place) -> int:
        """Line (1-based) where `place`, or what is nearest around it, is written."""
        node, line = self, self.line
        for part in place:
            if part not in node.parts:
                break
            line, node = node.lines[part], node.parts[part]
        return line


@dataclass(frozen=True)
class Spot:
    """Where something is written: file, line (1-based) and place; `used` where it is meant."""

    source: str
    line: int | None
    place: Place
    used: tuple[str, Place] | None = None


@dataclass(frozen=True)
class Document:
    """What was read: the root (None where nothing usable was), the faults, and their places."""

    root: Node | None
    faults: tuple[Fault, ...]
    spoiled: frozenset[Place]
    source: str = ""

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

    def spot(self, place: Place, *, of_name: bool = False) -> Spot:
        """Where `place`, or what is nearest around it, is written.

        A value that stands there by a reference is written elsewhere; its name (`of_name`) is not.
        """
        if self.root is None:
            return Spot(self.source, None, place)
        node, source, line = self.root, self.source, self.root.line
        for part in place:
            if part not in node.parts:
                break
            line, node = node.lines[part], node.parts[part]
            if node.written is not None and not of_name:
                return Spot(node.source or source, node.line, node.written, (source, place))
            source = source if node.written else node.source or source
        return Spot(source, line, place)
