# SPDX-License-Identifier: GPL-3.0-or-later
"""What the declared fields accept at a place of a recipe, in words."""

from __future__ import annotations

import types
from collections.abc import Iterator
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel

from dsp.recipe.item import StepItem, registry
from dsp.recipe.tree import Place
from dsp.units import Quantity

Declared = tuple[Any, tuple[Any, ...]]  # a type and what annotates it

PLAIN = {str: "text", bool: "true or false", int: "a whole number", float: "a number"}


def declared_at(root: type[BaseModel], place: Place) -> list[Declared]:
    """Types that may stand at `place`, counted from `root`; several where it is a union."""
    found: list[Declared] = [(root, ())]
    for part in place:
        found = [inner for outer in found for inner in _inside(outer, part)]
    return found


def names_at(root: type[BaseModel], place: Place) -> list[str]:
    """Names of the settings that may stand inside the mapping at `place`."""
    models = [kind for kind, _ in declared_at(root, place) if _is_model(kind)]
    return list(dict.fromkeys(name for model in models for name in model.model_fields))


def accepted_at(root: type[BaseModel], place: Place) -> str:
    """What may stand at `place`, in words; empty where nothing is declared."""
    return " or ".join(dict.fromkeys(filter(None, map(_words, declared_at(root, place)))))


def is_quantity_at(root: type[BaseModel], place: Place) -> bool:
    """Whether a number with a unit may stand at `place`."""
    notes = [note for _, notes in declared_at(root, place) for note in notes]
    return any(isinstance(note, Quantity) for note in notes)


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _plain(kind: Any, notes: tuple[Any, ...]) -> Iterator[Declared]:
    """Take annotations off, and unions apart; a note that reads the value itself ends it."""
    origin: Any = get_origin(kind)
    if origin is Annotated:
        kind, *more = get_args(kind)
        yield from _plain(kind, (*notes, *more))
    elif origin in {Union, types.UnionType}:
        for choice in get_args(kind):
            yield from _plain(choice, notes)
    else:
        yield kind, notes


def _inside(outer: Declared, part: str | int) -> Iterator[Declared]:
    kind, notes = outer
    origin: Any = get_origin(kind)
    if any(isinstance(note, StepItem) for note in notes):
        if part in registry():
            yield registry()[str(part)], ()
    elif _is_model(kind):
        if field := kind.model_fields.get(part):
            yield from _plain(field.annotation, tuple(field.metadata))
    elif origin in {tuple, list} and isinstance(part, int):
        items = [item for item in get_args(kind) if item is not Ellipsis]
        yield from _plain(items[min(part, len(items) - 1)], ())
    elif origin is dict:
        yield from _plain(get_args(kind)[1], ())


def _words(declared: Declared) -> str:
    kind, notes = declared
    origin: Any = get_origin(kind)
    for note in notes:
        if isinstance(note, Quantity):
            return note.accepted
        if isinstance(note, StepItem):
            return "a step, by name or as name: settings"
    if origin is Literal:
        return " or ".join(map(str, get_args(kind)))
    if _is_model(kind):
        return f"a mapping of {', '.join(kind.model_fields)}"
    if origin in {tuple, list}:
        return "a list, one entry after each dash"
    if origin is dict:
        return "a mapping of names"
    return PLAIN.get(kind, "")
