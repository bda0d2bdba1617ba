# SPDX-License-Identifier: GPL-3.0-or-later
"""YAML text as plain data that remembers its lines, with every fault of the text itself.

Built from the parser's events rather than through a YAML constructor: nothing but text, numbers,
true, false, null, lists and mappings can come out, whatever the tags say, and the size is known
before anything is expanded. Aliases share one value; they are counted at their full size.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import yaml

from dsp.errors import Fault
from dsp.recipe.scalars import read_plain, shown
from dsp.recipe.tree import Document, Node, Place, place_text

LARGEST = 1_000_000  # bytes of UTF-8
MOST_VALUES = 20_000  # with each alias written out
DEEPEST = 64
PLAIN_TAGS = {
    yaml.ScalarEvent: ("!", "tag:yaml.org,2002:str"),
    yaml.SequenceStartEvent: ("!", "tag:yaml.org,2002:seq"),
    yaml.MappingStartEvent: ("!", "tag:yaml.org,2002:map"),
}
# YAML 1.2, production 1 (c-printable), less the byte order mark inside the text
NOT_YAML = re.compile(
    "[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Stop(Exception):  # noqa: N818 - not an error: the rest of the text cannot be read
    pass


@dataclass
class _Open:
    """A list or mapping whose end has not been reached."""

    node: Node
    mapping: bool
    key: str = ""  # of the value that comes next
    at_key: bool = True  # whether a key comes next, in a mapping
    key_line: int = 0
    keep: bool = True  # whether the value that comes next has a usable key of its own

    @property
    def next_part(self) -> str | int:
        return self.key if self.mapping else len(self.node.data)


class _Builder:
    """Takes events one by one."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self.spoiled: set[Place] = set()
        self.root: Node | None = None
        self.open: list[_Open] = []
        self.anchors: dict[str, Node] = {}
        self.total = 0
        self.documents = 0

    def fault(self, line: int, message: str, *, spoils: bool = True) -> None:
        place = self.place()
        self.faults.append(Fault(line, place_text(place), message))
        if spoils:
            self.spoiled.add(place)

    def place(self) -> Place:
        named = (
            self.open[:-1]
            if self.open and self.open[-1].mapping and self.open[-1].at_key
            else self.open
        )
        return tuple(frame.next_part for frame in named)

    def take(self, event: yaml.Event) -> None:
        line = event.start_mark.line + 1 if event.start_mark else 0  # events of a text have one
        if isinstance(event, yaml.DocumentStartEvent):
            self.documents += 1
            if self.documents > 1:
                self.fault(line, "found a second document; accepted: one document", spoils=False)
                raise _Stop
        elif isinstance(event, yaml.AliasEvent):
            self.alias(event.anchor or "", line)
        elif isinstance(event, yaml.ScalarEvent):
            self.check_tag(event, line)
            self.add(Node(self.scalar(event), line), event.anchor, line)
        elif isinstance(event, yaml.SequenceStartEvent | yaml.MappingStartEvent):
            self.start(event, line)
        elif isinstance(event, yaml.CollectionEndEvent):
            self.end()

    def scalar(self, event: yaml.ScalarEvent) -> Any:
        plain = not event.style and event.tag is None
        return read_plain(event.value) if plain else event.value

    def check_tag(self, event: Any, line: int) -> None:
        if event.tag is not None and event.tag not in PLAIN_TAGS[type(event)]:
            self.fault(line, f"found the tag {shown(event.tag)}; accepted: values without tags")

    def start(self, event: yaml.CollectionStartEvent, line: int) -> None:
        self.check_tag(event, line)
        mapping = isinstance(event, yaml.MappingStartEvent)
        node = Node({} if mapping else [], line, whole=False)
        self.count(node, line)
        if event.anchor is not None:
            self.anchors[event.anchor] = node
        self.open.append(_Open(node, mapping))

    def end(self) -> None:
        node = self.open.pop().node
        node.whole = True
        node.size += sum(part.size for part in node.parts.values())
        node.height += max((part.height for part in node.parts.values()), default=0)
        self.attach(node, node.line)

    def alias(self, anchor: str, line: int) -> None:
        node = self.anchors.get(anchor)
        if node is None:
            self.fault(line, f"found the alias *{anchor}; accepted: aliases of an anchor above")
            node = Node(None, line)
        elif not node.whole:
            self.fault(line, f"found the alias *{anchor} inside its own anchor; accepted: no loops")
            raise _Stop
        self.count(node, line)
        self.attach(node, line)

    def add(self, node: Node, anchor: str | None, line: int) -> None:
        if anchor is not None:
            self.anchors[anchor] = node
        self.count(node, line)
        self.attach(node, line)

    def count(self, node: Node, line: int) -> None:
        """Refuse what grows too large or too deep, before anything is expanded."""
        self.total += node.size
        if self.total > MOST_VALUES:
            self.fault(
                line,
                f"found more than {MOST_VALUES} values, aliases written out; "
                f"accepted: up to {MOST_VALUES}",
            )
            raise _Stop
        if len(self.open) + node.height > DEEPEST:
            self.fault(line, f"found more than {DEEPEST} levels; accepted: up to {DEEPEST}")
            raise _Stop

    def attach(self, node: Node, line: int) -> None:
        if not self.open:
            self.root = node
            return
        frame = self.open[-1]
        if not frame.mapping:
            frame.node.parts[len(frame.node.data)] = node
            frame.node.lines[len(frame.node.data)] = line
            frame.node.data.append(node.data)
        elif frame.at_key:
            self.take_key(frame, node, line)
        else:
            if frame.keep:
                frame.node.parts[frame.key] = node
                frame.node.lines[frame.key] = frame.key_line
                frame.node.data[frame.key] = node.data
            frame.at_key = True

    def take_key(self, frame: _Open, node: Node, line: int) -> None:
        frame.key = node.data if isinstance(node.data, str) else shown(node.data)
        frame.key_line, frame.at_key, frame.keep = line, False, True
        earlier = frame.node.lines.get(frame.key)
        if not isinstance(node.data, str):
            frame.keep = False
            quoted = "" if node.parts else "; a number or true, false, null as a name needs quotes"
            self.fault(line, f"found {frame.key} as a name; accepted: text{quoted}")
        elif frame.key == "<<":
            frame.keep = False
            self.fault(line, "found a merge key '<<'; accepted: settings written out")
        elif earlier is not None:
            frame.keep = False
            where = f"line {earlier}" + (f" and on line {line}" if line != earlier else "")
            message = f"found {shown(frame.key)} twice, on {where}"
            self.fault(line, f"{message}; accepted: each name once", spoils=False)


def read_document(text: str) -> Document:
    """Read one YAML document; its faults are in the result, none is raised."""
    text = text.removeprefix("\ufeff")
    if refused := _refused(text):
        return Document(None, (refused,), frozenset({()}))
    builder = _Builder()
    try:
        for event in yaml.parse(text, Loader=_LOADER):
            builder.take(event)
    except _Stop:
        pass
    except yaml.YAMLError as error:
        builder.faults.append(_syntax(error, text))
        builder.root = None
    root = builder.root
    if not builder.faults and (root is None or root.data is None):
        builder.fault(1, "found an empty document; accepted: a recipe", spoils=False)
        root = None
    return Document(root, tuple(builder.faults), frozenset(builder.spoiled))


def _refused(text: str) -> Fault | None:
    """Find what no YAML text may hold."""
    if len(text) > LARGEST:
        return Fault(
            None, "", f"found {len(text)} characters; accepted: a recipe of up to {LARGEST}"
        )
    if wrong := NOT_YAML.search(text):
        line = text.count("\n", 0, wrong.start()) + 1
        return Fault(
            line, "", f"found the character U+{ord(wrong.group()):04X}; accepted: printable text"
        )
    return None


def _syntax(error: yaml.YAMLError, text: str) -> Fault:
    """Turn the parser's complaint into a fault."""
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    problem = getattr(error, "problem", None) or getattr(error, "context", None) or str(error)
    begun = getattr(error, "context_mark", None)
    line = mark.line + 1 if mark else None
    message = f"not YAML: {problem}"
    if begun and mark and begun.line != mark.line:
        message += f", {error.context} that begins on line {begun.line + 1}"  # type: ignore[attr-defined]
    rows = text.splitlines()
    row = rows[mark.line] if mark and mark.line < len(rows) else ""
    if "\t" in row[: len(row) - len(row.lstrip())]:
        message += "; found a tab, accepted: spaces to indent"
    return Fault(line, "", message)
