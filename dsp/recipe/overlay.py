# SPDX-License-Identifier: GPL-3.0-or-later
"""One recipe laid over another, and names left out of one."""

from __future__ import annotations

from dataclasses import replace

from dsp.recipe.references import with_parts
from dsp.recipe.tree import Node

PARTS = ("tracks", "groups")


def names_in(root: Node, part: str) -> list[str]:
    """Names of the tracks or of the groups."""
    node = root.parts.get(part)
    return [str(name) for name in node.parts] if node and isinstance(node.data, dict) else []


def less(root: Node, names: list[str]) -> Node:
    """Leave tracks and groups out, also as members of groups."""
    parts = {k: _less(part, names) if k in PARTS else part for k, part in root.parts.items()}
    if "groups" in parts:
        groups = {name: _less_members(g, names) for name, g in parts["groups"].parts.items()}
        parts["groups"] = with_parts(parts["groups"], groups)
    return with_parts(root, parts)


def _less(node: Node, names: list[str]) -> Node:
    if not isinstance(node.data, dict):
        return node
    return with_parts(node, {name: part for name, part in node.parts.items() if name not in names})


def _less_members(group: Node, names: list[str]) -> Node:
    """A group without some members, which may stand in a list or in a mapping to levels."""
    of = group.parts.get("of")
    if of is None or not isinstance(of.data, dict | list):
        return group
    listed = isinstance(of.data, list)
    kept = {p: n for p, n in of.parts.items() if (n.data if listed else p) not in names}
    return with_parts(group, {**group.parts, "of": with_parts(of, kept)})


def laid_over(base: Node, own: Node) -> Node:
    """Lay a recipe over another: tracks and groups replaced one by one, the rest whole."""
    parts, lines = {**base.parts, **own.parts}, {**base.lines, **own.lines}
    for kind in PARTS:
        below, above = base.parts.get(kind), own.parts.get(kind)
        if below is None or above is None:
            continue
        if isinstance(below.data, dict) and isinstance(above.data, dict):
            both = {**below.parts, **above.parts}
            laid = replace(above, lines={**below.lines, **above.lines})
            parts[kind] = with_parts(laid, both)
    return replace(with_parts(own, parts), lines=lines)
