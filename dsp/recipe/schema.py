# SPDX-License-Identifier: GPL-3.0-or-later
"""JSON Schema of recipes (draft 2020-12), put together from the declared fields of all steps."""

from __future__ import annotations

from typing import Any

from dsp.recipe.item import STEP_SCHEMA, registry
from dsp.recipe.model import Recipe
from dsp.recipe.tracks import ACCEPTED_NAME, DEVICES, KEY_WORDS, LONGEST_NAME
from dsp.units import format_quantity

DIALECT = "https://json-schema.org/draft/2020-12/schema"
NOT_IN_NAMES = r"\x00-\x1f!-,./:-@\[-\^`{|}~"  # of ASCII; the rest of Unicode has no such class
REF = "#/$defs/{model}"


def recipe_schema() -> dict[str, Any]:
    """Return the schema of whole recipes; it is a new dict at every call.

    It says of a recipe's shape and of bare numbers all that `parse_recipe` says. It cannot say
    that a number with a unit is in range, or that tracks and settings fit each other.
    """
    from pydantic.json_schema import models_json_schema  # only who asks for a schema pays for it

    steps = registry()
    models = [(model, "validation") for model in (Recipe, *steps.values())]
    refs, definitions = models_json_schema(models, ref_template=REF)  # type: ignore[arg-type]
    defs = definitions["$defs"]
    names = {
        name: refs[step, "validation"]["$ref"].removeprefix(REF.format(model=""))
        for name, step in steps.items()
    }
    recipe = defs.pop(refs[Recipe, "validation"]["$ref"].removeprefix(REF.format(model="")))
    for kind in ("tracks", "groups"):
        recipe["properties"][kind]["propertyNames"] = _track_names()
    defs["step"] = _any_step(names, defs)
    return {
        "$schema": DIALECT,
        "title": "drumprint recipe",
        **_finished(recipe),
        "description": "What is done to each track of a take, step by step",
        "$defs": _finished(defs),
    }


def _track_names() -> dict[str, Any]:
    return {
        "pattern": rf"^(?! )[^{NOT_IN_NAMES}]+(?<! )$",
        "not": {"enum": [*KEY_WORDS, *sorted(DEVICES)]},
        "maxLength": LONGEST_NAME,
        "description": ACCEPTED_NAME,
    }


def _any_step(names: dict[str, str], defs: dict[str, Any]) -> dict[str, Any]:
    """One step: its name with settings, or its name alone where all settings have defaults."""
    bare = [name for name, model in names.items() if not defs[model].get("required")]
    settings = {}
    for name, model in names.items():
        ref = {"$ref": REF.format(model=model)}
        text = {"description": defs[model].get("description", "")}
        settings[name] = {**text, "anyOf": [ref, {"type": "null"}]} if name in bare else ref | text
    return {
        "description": "One step: its name and its settings",
        "anyOf": [
            {
                "type": "object",
                "properties": settings,
                "additionalProperties": False,
                "minProperties": 1,
                "maxProperties": 1,
            },
            {"enum": bare},
        ],
    }


def _finished(part: Any) -> Any:
    """Point to the step schema, and tell ranges and defaults with their units."""
    if isinstance(part, list):
        return [_finished(item) for item in part]
    if not isinstance(part, dict):
        return part
    if part == STEP_SCHEMA:
        return {"$ref": REF.format(model="step")}
    done = {name: _finished(inner) for name, inner in part.items()}
    if isinstance(done.get("title"), str):
        del done["title"]  # the name again, in capitals
    if "x-unit" in done:
        _tell_units(done)
    return done


def _tell_units(setting: dict[str, Any]) -> None:
    unit = setting["x-unit"]
    if isinstance(setting.get("default"), int | float):
        setting["default"] = format_quantity(setting["default"], unit)
    for choice in setting.get("anyOf", []):
        if "minimum" in choice:
            spread = f"{choice['minimum']:g} to {choice['maximum']:g} {unit}"
            setting["description"] = f"{setting.get('description', '')} ({spread})".strip()
