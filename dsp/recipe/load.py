# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading recipes: all the faults of one at once, each with its line."""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from dsp.errors import Fault, RecipeError
from dsp.recipe.declared import names_at
from dsp.recipe.document import LARGEST, read_document
from dsp.recipe.faults import as_fault, read_faults
from dsp.recipe.grouped import GroupView
from dsp.recipe.item import read_step
from dsp.recipe.model import PARTS_ONLY, Recipe
from dsp.recipe.tracks import KEY_WORDS, TrackView, cross_faults, sources_of
from dsp.recipe.tree import Document, Place

ACCEPTED_FILE = "accepted: a recipe, a YAML file in UTF-8"


def load_recipe(path: str | PathLike[str]) -> Recipe:
    """Read a recipe from a file.

    Raises `RecipeError` where the file cannot be read or the recipe is wrong; it lists all faults.
    """
    source = str(path)
    try:
        with Path(path).open("rb") as file:
            content = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise _refused(source, f"no such file; {ACCEPTED_FILE}") from None
    except IsADirectoryError:
        raise _refused(source, f"found a folder; {ACCEPTED_FILE}") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise _refused(source, f"cannot be read ({reason}); {ACCEPTED_FILE}") from None
    if len(content) > LARGEST:
        raise _refused(source, f"found more than {LARGEST} bytes; accepted: up to {LARGEST}")
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{content[error.start]:02X} at position {error.start}"
        raise _refused(source, f"found {found}, not UTF-8; {ACCEPTED_FILE}", line) from None
    return parse_recipe(text, source)


def parse_recipe(text: str, source: str = "recipe") -> Recipe:
    """Read a recipe from YAML text; `source` names it in messages.

    Raises `RecipeError`, which lists all faults.

    >>> parse_recipe("{drumprint: 1, tracks: {top: {steps: [level]}}}").tracks["top"].key is None
    True
    """
    document = read_document(text)
    faults = list(document.faults)
    recipe = None
    if document.root is not None:
        found: dict[Place, str] = {}
        try:
            recipe = Recipe.model_validate(document.data, context=PARTS_ONLY)
        except ValidationError as error:
            found = read_faults(error, Recipe, document)
        found |= _cross_faults(document.data)
        faults += [
            as_fault(place, message, document)
            for place, message in found.items()
            if not _under_spoiled(place, document)
        ]
    if recipe is None or faults:
        raise RecipeError(source, sorted(faults, key=lambda f: f.line or 0))
    return recipe


def _refused(source: str, message: str, line: int | None = None) -> RecipeError:
    return RecipeError(source, [Fault(line, "", message)])


def _under_spoiled(place: Place, document: Document) -> bool:
    """Whether the text itself is already faulty at this place or around it."""
    return any(place[:length] in document.spoiled for length in range(len(place) + 1))


def _cross_faults(data: Any) -> dict[Place, str]:
    """Faults between what of the tracks and groups can be read, so that they show with the rest."""
    tracks = {
        name: TrackView(_key(body), _heard(body)) for name, body in _bodies(data, "tracks").items()
    }
    groups = {
        name: GroupView(_key(body), _heard(body), _members(body.get("of")))
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


def _heard(body: dict[str, Any]) -> tuple[tuple[Place, str], ...]:
    items = body.get("steps")
    return tuple(
        source
        for position, item in enumerate(items if isinstance(items, list) else [])
        for source in _sources(position, item)
    )


def _sources(position: int, item: Any) -> list[tuple[Place, str]]:
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
