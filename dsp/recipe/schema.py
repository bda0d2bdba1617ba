# SPDX-License-Identifier: GPL-3.0-or-later
"""JSON Schema of recipes (draft 2020-12), put together from the declared fields of all steps."""

from __future__ import annotations

from typing import Any

from dsp.recipe.item import STEP_SCHEMA, registry
from dsp.recipe.model import Recipe
from dsp.recipe.references import NAME
from dsp.recipe.tracks import ACCEPTED_NAME, DEVICES, KEY_WORDS, LONGEST_NAME
from dsp.units import format_quantity

DIALECT = "https://json-schema.org/draft/2020-12/schema"
NOT_IN_NAMES = r"\x00-\x1f!-,./:-@\[-\^`{|}~"  # of ASCII; the rest of Unicode has no such class
REF = "#/$defs/{model}"
SINGLE = {"enum", "const", "pattern"}  # of one value, whatever its type
JUDGED = SINGLE | {"anyOf", "type", "minimum", "maximum", "minLength", "maxLength"}


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
    defs = {name: _with_references(model) for name, model in defs.items()}
    defs["step"] = _any_step(names, defs)
    defs["reference"] = _reference()
    recipe["properties"] |= _building()
    recipe["required"].remove("tracks")
    recipe["anyOf"] = [{"required": ["tracks"]}, {"required": ["from"]}]
    recipe["dependentRequired"] = {"with": ["from"], "without": ["from"]}
    return {
        "$schema": DIALECT,
        "title": "drumprint recipe",
        **_finished(recipe),
        "description": "What is done to each track of a take, step by step",
        "$defs": _finished(defs),
    }


def _building() -> dict[str, Any]:
    """What stands in a file beside the recipe itself, before it is put together."""
    names = {"type": "string", "minLength": 1}
    values = {
        "type": "object",
        "propertyNames": {"pattern": f"^{NAME.pattern}$"},
        "additionalProperties": {"type": ["string", "number", "boolean"]},
    }
    return {
        "from": names
        | {
            "description": "The recipe that this one is built on: a file beside it that ends in "
            ".yaml, or a ready chain. Tracks and groups of this one replace those of that one"
        },
        "with": values | {"description": "Values for the `settings` of the recipe below"},
        "without": {
            "type": "array",
            "items": names,
            "description": "Tracks and groups of the recipe below that are left out, also as "
            "members of its groups",
        },
        "settings": values
        | {
            "description": "Named settings with the values that they have unless a recipe that is "
            "built on this one gives others; written as $name where they are used"
        },
    }


def _reference() -> dict[str, Any]:
    return {
        "type": "string",
        "pattern": rf"^\$(\$.*|{NAME.pattern})$",
        "description": "A named setting of this recipe",
    }


def _with_references(part: Any) -> Any:
    """Let a reference stand wherever one value stands."""
    if isinstance(part, list):
        return [_with_references(item) for item in part]
    if not isinstance(part, dict) or part == STEP_SCHEMA:
        return part
    done = {name: _with_references(inner) for name, inner in part.items()}
    for name in ("items", "additionalProperties"):
        if isinstance(done.get(name), dict):
            done[name] = _or_reference(done[name])
    if isinstance(done.get("properties"), dict):
        done["properties"] = {n: _or_reference(inner) for n, inner in done["properties"].items()}
    return done


def _or_reference(value: dict[str, Any]) -> dict[str, Any]:
    choices = value.get("anyOf", [value])
    one = [c for c in choices if SINGLE & set(c) or c.get("type") not in {"array", "object", None}]
    if not one or {"type": "string"} in choices:
        return value
    told = {key: inner for key, inner in value.items() if key not in JUDGED}
    judged = {key: inner for key, inner in value.items() if key in JUDGED - {"anyOf"}}
    reference = {"$ref": REF.format(model="reference")}
    return told | {"anyOf": [*value.get("anyOf", [judged]), reference]}


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
