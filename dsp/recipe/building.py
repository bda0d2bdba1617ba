# SPDX-License-Identifier: GPL-3.0-or-later
"""A recipe put together from its text and the recipes that it is built on.

Decisions:

- `from` names one recipe: a file beside this one, or a ready chain. What this one says of a track
  or group replaces what that one says of it, whole; what it does not name stays. `without` leaves
  tracks and groups out, also as members of that recipe's groups.
- `with` gives values to that recipe's `settings`, and to no others.
- What comes out is a plain recipe, each part of which knows its file and line.
- Nothing can grow without bounds: references stand for single values, each file has the limits of
  `dsp.recipe.document`, and at most `DEEPEST` files are built on each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from dsp.errors import Fault, UsageError
from dsp.recipe.chains import ready_chain, ready_chains
from dsp.recipe.document import read_document
from dsp.recipe.files import UnreadableError, recipe_text
from dsp.recipe.model import wrong_format
from dsp.recipe.overlay import PARTS, laid_over, less, names_in
from dsp.recipe.references import filled, named_values, with_parts
from dsp.recipe.scalars import nearest, shown
from dsp.recipe.tree import Node, Place, place_text

KEYS = ("drumprint", "about", "from", "with", "without", "settings", "tracks", "groups")
DEEPEST = 8  # recipes built on each other
ENDINGS = (".yaml", ".yml")


@dataclass
class Built:
    """What a text became: the whole as one tree, its faults, and which places are faulty.

    `on` names the recipes that it is built on, nearest first; `whole` is false where one of them
    could not be read, so that not all names are known.
    """

    root: Node | None = None
    faults: list[Fault] = field(default_factory=list)
    spoiled: set[Place] = field(default_factory=set)
    on: list[str] = field(default_factory=list)
    whole: bool = True


def build(text: str, source: str, folder: Path, file: Path | None = None) -> Built:
    """Put a recipe together; `folder` is where the files that it names are looked for."""
    built = Built()
    trail = [] if file is None else [(source, file.resolve())]
    built.root = _Layer(built, source, folder, trail, main=source).read(text, {})
    return built


@dataclass
class _Layer:
    """One text of a recipe that is put together; `trail` holds those that led to it, and itself."""

    built: Built
    source: str
    folder: Path
    trail: list[tuple[str, Path]]
    main: str

    def read(self, text: str, given: Mapping[str, Node]) -> Node | None:
        """The text with what it is built on; `given` are values for its settings."""
        document = read_document(text)
        self.built.faults += [replace(fault, file=self.file) for fault in document.faults]
        self.built.spoiled |= document.spoiled
        self.root = root = document.root
        if root is None:
            return None
        if not isinstance(root.data, dict):
            if self.file:
                self.tell((), f"found {shown(root.data)}; accepted: a recipe")
            return root
        for key in root.parts:
            if key not in KEYS:
                self.tell((key,), f"found the setting {shown(key)}; {nearest(str(key), [*KEYS])}")
        if self.file:
            self._check_base(root)
        own, values = self._filled(root, given)
        return self._on_base(own, values)

    @property
    def file(self) -> str:
        """The file in the words of a fault: empty for the recipe's own."""
        return "" if self.source == self.main else self.source

    def tell(self, place: Place, message: str) -> None:
        """Note a fault of this text."""
        line = None if self.root is None else self.root.line_of(place)
        self.built.faults.append(Fault(line, place_text(place), message, self.file))
        self.built.spoiled.add(place)

    def _filled(self, root: Node, given: Mapping[str, Node]) -> tuple[Node, dict[str, Node]]:
        """The text with values for its references, and what it gives to the recipe below."""
        declared = {
            name: filled(node, ("settings", name), {}, set(), self.tell)
            for name, node in self._named("settings").items()
        }
        for name, value in given.items():
            if name not in declared:
                self._tell_given(
                    value, f"found the setting {shown(name)}; {nearest(name, [*declared])}"
                )
        values = declared | {name: node for name, node in given.items() if name in declared}
        used: set[str] = set()
        parts: dict[str | int, Node] = {
            part: replace(root.parts[part], source=self.source)
            for part in ("drumprint", "about")
            if part in root.parts
        }
        for part in PARTS:
            if part in root.parts:
                node = filled(root.parts[part], (part,), values, used, self.tell)
                parts[part] = self._marked(node)
        passed = {
            name: filled(node, ("with", name), values, used, self.tell)
            for name, node in self._named("with").items()
        }
        for name in declared:
            if name not in used:
                message = f"found {name}, which no value uses as ${name}; accepted: what is used"
                self.tell(("settings", name), message)
        sound = {n: node for n, node in passed.items() if ("with", n) not in self.built.spoiled}
        return with_parts(root, parts), sound

    def _named(self, key: str) -> dict[str, Node]:
        node = self.root.parts.get(key) if self.root else None
        return named_values(node, (key,), self.source, self.tell)

    def _tell_given(self, value: Node, message: str) -> None:
        """Note a fault where a value was given, in the file above."""
        place, source = value.written or (), value.source or ""
        file = "" if source == self.main else source
        self.built.faults.append(Fault(value.line, place_text(place), message, file))

    def _marked(self, node: Node) -> Node:
        """Tracks or groups, each knowing its file."""
        parts = {name: replace(part, source=self.source) for name, part in node.parts.items()}
        return replace(node, source=self.source, parts=parts)

    def _check_base(self, root: Node) -> None:
        """Tell of a recipe below what the one over it would hide."""
        if "drumprint" not in root.parts:
            self.tell(("drumprint",), "found nothing; accepted: 1")
        elif message := wrong_format(root.parts["drumprint"].data):
            self.tell(("drumprint",), message)
        for part in PARTS:
            if part in root.parts and not isinstance(root.parts[part].data, dict):
                found = shown(root.parts[part].data)
                self.tell((part,), f"found {found}; accepted: a mapping of names")

    def _on_base(self, own: Node, values: dict[str, Node]) -> Node:
        root = self.root
        if root is None or "from" not in root.parts:
            for key in ("with", "without"):
                if root is not None and key in root.parts:
                    self.tell((key,), f"found {key} and no from; accepted: {key} beside from")
            return own
        base = self._base(root.parts["from"].data, values)
        if base is None:
            self.built.whole = False
            return own
        return laid_over(self._without(base), own)

    def _base(self, name: object, values: dict[str, Node]) -> Node | None:
        """The recipe that this one is built on; None where it cannot be had."""
        accepted = (
            f"accepted: a file beside this one that ends in .yaml, or {', '.join(ready_chains())}"
        )
        if not isinstance(name, str) or not name:
            self.tell(("from",), f"found {shown(name)}; {accepted}")
            return None
        try:
            path = self.folder / name if name.endswith(ENDINGS) else ready_chain(name)
        except UsageError:
            self.tell(("from",), f"found {shown(name)}, which is no ready recipe; {accepted}")
            return None
        source = str(path) if name.endswith(ENDINGS) else name
        if refused := self._refused(source, path):
            self.tell(("from",), refused)
            return None
        try:
            text = recipe_text(path)
        except UnreadableError as error:
            self.tell(("from",), f"found {shown(name)}: {path}: {error.message}")
            return None
        self.built.on.append(source)
        trail = [*self.trail, (source, path.resolve())]
        below = _Layer(self.built, source, path.parent, trail, self.main)
        base = below.read(text, values)
        return base if base is not None and isinstance(base.data, dict) else None

    def _refused(self, source: str, path: Path) -> str | None:
        """Say what is wrong with building on a file that led here."""
        places = [place for _, place in self.trail]
        if path.resolve() in places:
            ring = [name for name, _ in self.trail[places.index(path.resolve()) :]]
            return (
                f"found a circle of recipes, {' → '.join([*ring, ring[0]])}; "
                "accepted: recipes that are not built on themselves"
            )
        if len(self.trail) >= DEEPEST:
            return f"found more than {DEEPEST} recipes built on each other; accepted: {DEEPEST}"
        return None

    def _without(self, base: Node) -> Node:
        """The recipe below, less what is to be left out."""
        node = self.root.parts.get("without") if self.root else None
        if node is None:
            return base
        if not isinstance(node.data, list):
            self.tell(("without",), f"found {shown(node.data)}; accepted: a list of names")
            return base
        there = [name for part in PARTS for name in names_in(base, part)]
        for position, name in enumerate(node.data):
            if name not in there:
                message = f"found {shown(name)}; {nearest(str(name), there)}"
                self.tell(("without", position), message)
        return less(base, [name for name in node.data if isinstance(name, str)])
