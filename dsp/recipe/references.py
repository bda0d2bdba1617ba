# SPDX-License-Identifier: GPL-3.0-or-later
"""Named settings of a recipe: `$ride` stands for the value that `settings` or `with` gives it.

A reference is a whole value, never a part of one, and stands for one value, never for a list or a
mapping: what a recipe can grow to is known from its text. `$$` writes a `$`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from dsp.recipe.scalars import nearest, shown
from dsp.recipe.tree import Node, Place

SIGN = "$"
NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
ACCEPTED_NAME = "letters, digits and '_', not a digit first"

Tell = Callable[[Place, str], None]


def named_values(node: Node | None, place: Place, source: str, tell: Tell) -> dict[str, Node]:
    """Return the values of a mapping of names, each knowing where it is written."""
    if node is None or node.data is None:
        return {}
    if not isinstance(node.data, dict):
        tell(place, f"found {shown(node.data)}; accepted: a mapping of names to values")
        return {}
    values = {}
    for part, value in node.parts.items():
        name, here = str(part), (*place, part)
        if not NAME.fullmatch(name):
            tell(here, f"found the name {shown(name)}; accepted: {ACCEPTED_NAME}")
        elif value.data is None or isinstance(value.data, dict | list):
            tell(here, f"found {shown(value.data)}; accepted: one value")
        else:
            values[name] = replace(value, source=source, written=here)
    return values


def filled(
    node: Node, place: Place, values: Mapping[str, Node], used: set[str], tell: Tell
) -> Node:
    """Return the node with each reference in it replaced by its value; adds to `used`.

    What has none comes back as it is. An unknown name is told, and stays.
    """
    if isinstance(node.data, str) and node.data.startswith(SIGN):
        return _value(node, place, values, used, tell)
    parts = {part: filled(n, (*place, part), values, used, tell) for part, n in node.parts.items()}
    if all(parts[part] is node.parts[part] for part in parts):
        return node
    return with_parts(node, parts)


def with_parts(node: Node, parts: dict[str | int, Node]) -> Node:
    """Return a list or mapping with other parts under the same names."""
    data: Any = {part: inner.data for part, inner in parts.items()}
    data = list(data.values()) if isinstance(node.data, list) else data
    return replace(node, data=data, parts=parts)


def _value(
    node: Node, place: Place, values: Mapping[str, Node], used: set[str], tell: Tell
) -> Node:
    text = node.data
    if text.startswith(2 * SIGN):
        return replace(node, data=text[1:])
    name = text[1:]
    if name in values:
        used.add(name)
        return values[name]
    known = nearest(name, list(values)) if values else f"accepted: {2 * SIGN} for a plain {SIGN}"
    tell(place, f"found {text}, which is no name under `settings`; {known}")
    return node


def escaped(data: Any) -> Any:
    """Return plain data with each text that would be read as a reference written as text."""
    if isinstance(data, str):
        return SIGN + data if data.startswith(SIGN) else data
    if isinstance(data, dict):
        return {key: escaped(value) for key, value in data.items()}
    return [escaped(value) for value in data] if isinstance(data, list) else data
