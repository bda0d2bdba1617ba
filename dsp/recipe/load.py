# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading recipes: all the faults of one at once, each with its line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from dsp.errors import Fault, RecipeError
from dsp.recipe.building import Built, build
from dsp.recipe.declared import names_at
from dsp.recipe.faults import as_faults, read_faults
from dsp.recipe.files import UnreadableError, recipe_text
from dsp.recipe.grouped import Found, GroupView
from dsp.recipe.item import read_step
from dsp.recipe.model import PARTS_ONLY, Recipe
from dsp.recipe.tracks import KEY_WORDS, TrackView, aligned_by, cross_faults, sources_of
from dsp.recipe.tree import Document, Place


@dataclass(frozen=True)
class Loaded:
    """A recipe as it was put together, and the recipes that it is built on, nearest first."""

    recipe: Recipe
    built_on: tuple[str, ...]


def load_recipe(path: str | PathLike[str]) -> Recipe:
    """Read a recipe from a file.

    Raises `RecipeError` where the file cannot be read or the recipe is wrong; it lists all faults,
    also those of the recipes that it is built on.
    """
    return read_recipe(path).recipe


def read_recipe(path: str | PathLike[str]) -> Loaded:
    """Read a recipe from a file as `load_recipe` does, and say what it is built on."""
    file = Path(path)
    try:
        text = recipe_text(file)
    except UnreadableError as error:
        raise RecipeError(str(path), [Fault(error.line, "", error.message)]) from None
    return _checked(build(text, str(path), file.parent, file), str(path))


def parse_recipe(text: str, source: str = "recipe") -> Recipe:
    """Read a recipe from YAML text; `source` names it in messages.

    Files that it is built on are looked for in the current folder. Raises `RecipeError`, which
    lists all faults.

    >>> parse_recipe("{drumprint: 1, tracks: {top: {steps: [level]}}}").tracks["top"].key is None
    True
    """
    return _checked(build(text, source, Path()), source).recipe


def _checked(built: Built, source: str) -> Loaded:
    document = Document(built.root, tuple(built.faults), frozenset(built.spoiled), source)
    faults, recipe = list(built.faults), None
    if built.root is not None:
        found: dict[Place, str] = {}
        try:
            recipe = Recipe.model_validate(document.data, context=PARTS_ONLY)
        except ValidationError as error:
            found = read_faults(error, Recipe, document)
        if built.whole:
            found |= _cross_faults(document.data)
        else:
            found.pop(("tracks",), None)  # they may be in the recipe that could not be read
        told = {place: text for place, text in found.items() if not _under_spoiled(place, document)}
        faults += as_faults(told, document)
    if recipe is None or faults:
        order = ["", *built.on]
        raise RecipeError(source, sorted(faults, key=lambda f: (order.index(f.file), f.line or 0)))
    return Loaded(recipe, tuple(built.on))


def _under_spoiled(place: Place, document: Document) -> bool:
    """Whether the text itself is already faulty at this place or around it."""
    return any(place[:length] in document.spoiled for length in range(len(place) + 1))


def _cross_faults(data: Any) -> dict[Place, str]:
    """Faults between what of the tracks and groups can be read, so that they show with the rest."""
    tracks = {
        name: TrackView(_key(body), _told(_sources, body), _told(_aligned, body))
        for name, body in _bodies(data, "tracks").items()
    }
    groups = {
        name: GroupView(_key(body), _told(_sources, body), _members(body.get("of")))
        for name, body in _bodies(data, "groups").items()
    }
    return dict(cross_faults(tracks, groups))


def _bodies(data: Any, kind: str) -> dict[str, dict[str, Any]]:
    parts = data.get(kind) if isinstance(data, dict) else None
    parts = parts if isinstance(parts, dict) else {}
    return {name: body if isinstance(body, dict) else {} for name, body in parts.items()}


def _key(body: dict[str, Any]) -> str | None:
    key = body.get("key")
    return key if isinstance(key, str) else None


def _members(of: Any) -> tuple[tuple[Place, str], ...]:
    """Members with their places, of a list or of a mapping to levels."""
    if isinstance(of, dict):
        return tuple((("of", name), name) for name in of)
    names = enumerate(of if isinstance(of, list) else [])
    return tuple((("of", i), name) for i, name in names if isinstance(name, str))


def _told(by: Callable[[int, Any], list[Found]], body: dict[str, Any]) -> tuple[Found, ...]:
    """What `by` says of each of the steps."""
    items = body.get("steps")
    return tuple(
        source
        for position, item in enumerate(items if isinstance(items, list) else [])
        for source in by(position, item)
    )


def _aligned(position: int, item: Any) -> list[Found]:
    """Return what a step aligns its track with; a faulty one is told already."""
    try:
        return list(aligned_by(position, read_step(item)))
    except ValueError:
        return []


def _sources(position: int, item: Any) -> list[Found]:
    """Return what a step listens to; of a faulty step, what its `key` says."""
    try:
        return list(sources_of(position, read_step(item)))
    except ValueError:  # told already, with its own place
        name, body = next(iter(item.items())) if isinstance(item, dict) and item else ("", None)
        key = body.get("key") if isinstance(body, dict) else None
        keyed = isinstance(key, str) and names_at(Recipe, ("tracks", "", "steps", 0, name))
        if keyed and "key" in keyed and key not in {"", *KEY_WORDS}:
            return [(("steps", position, name, "key"), str(key))]
        return []
