# SPDX-License-Identifier: GPL-3.0-or-later
"""The schema says what the loader says, as far as a schema can."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from jsonschema import Draft202012Validator

from dsp.recipe import Recipe, dump_recipe, ready_chains, recipe_schema
from dsp.recipe.document import read_document
from dsp.steps import STEPS
from tests.recipe.recipes import FUZZ, recipes

VALIDATOR = Draft202012Validator(recipe_schema())


def valid(text: str) -> bool:
    return bool(VALIDATOR.is_valid(read_document(text).data))


def test_it_is_a_schema() -> None:
    Draft202012Validator.check_schema(recipe_schema())
    json.dumps(recipe_schema(), allow_nan=False)


@pytest.mark.parametrize("name", list(ready_chains()))
def test_ready_recipes_fit(name: str) -> None:
    assert not list(VALIDATOR.iter_errors(read_document(ready_chains()[name].read_text()).data))


@FUZZ
@given(recipes())
def test_whatever_is_written_fits(recipe: Recipe) -> None:
    assert valid(dump_recipe(recipe))


@pytest.mark.parametrize(
    ("steps", "fits"),
    [
        ("[]", True),
        ("[level]", True),
        ("[level: ]", True),
        ("[level: {}]", True),
        ("[level: {gain: 3}]", True),
        ("[level: {gain: 3 dB}]", True),
        ("[level: {gain: 1e-3 dB}]", True),
        ("[level: {gain: −3 dB}]", True),
        ("[levle]", False),
        ("[levle: {}]", False),
        ("[level: {gian: 3}]", False),
        ("[level: {gain: 99}]", False),
        ("[level: {gain: 3 Hz}]", False),
        ("[level: {gain: loud}]", False),
        ("[level: {polarity: up}]", False),
        ("[level: 3]", False),
        ("[{}]", False),
        ("[3]", False),
        ("{level: }", False),
        ("[{level: {}, xyz: {}}]", False),
    ],
)
def test_steps(steps: str, fits: bool) -> None:
    assert valid(f"{{drumprint: 1, tracks: {{top: {{steps: {steps}}}}}}}") is fits


@pytest.mark.parametrize(
    ("text", "fits"),
    [
        ("{drumprint: 1, about: x, tracks: {top: {key: b, steps: []}, b: {steps: []}}}", True),
        ("{drumprint: 2, tracks: {top: {steps: []}}}", False),
        ("{tracks: {top: {steps: []}}}", False),
        ("{drumprint: 1, tracks: {}}", False),
        ("{drumprint: 1, tracks: {top: {}}}", False),
        ("{drumprint: 1, tracks: {top: {stps: []}}}", False),
        ("{drumprint: 1, about: 3, tracks: {top: {steps: []}}}", False),
        ("{drumprint: 1, tracks: {a/b: {steps: []}}}", False),
        ("{drumprint: 1, tracks: {' a': {steps: []}}}", False),
        ("{drumprint: 1, tracks: {hits: {steps: []}}}", False),
        ("{drumprint: 1, tracks: {con: {steps: []}}}", False),
        ("{drumprint: 1, tracks: {virvel ö 2-a_b: {steps: []}}}", True),
        ("[]", False),
    ],
)
def test_recipes(text: str, fits: bool) -> None:
    assert valid(text) is fits


def settings_in(part: Any) -> list[tuple[str, dict[str, Any]]]:
    """Every declared setting in the schema, by name."""
    found = []
    if isinstance(part, dict):
        found += [(n, s) for n, s in part.get("properties", {}).items() if isinstance(s, dict)]
        found += [pair for inner in part.values() for pair in settings_in(inner)]
    elif isinstance(part, list):
        found += [pair for inner in part for pair in settings_in(inner)]
    return found


def test_every_setting_is_described() -> None:
    found = settings_in(recipe_schema())
    assert len(found) > len(STEPS)
    assert [name for name, setting in found if not setting.get("description")] == []


def test_units_ranges_and_defaults_are_told() -> None:
    gain = recipe_schema()["$defs"]["Level"]["properties"]["gain"]
    assert gain["x-unit"] == "dB"
    assert gain["default"] == "0 dB"
    assert "-60 to 24 dB" in gain["description"]


def test_every_step_is_there() -> None:
    step, _bare = recipe_schema()["$defs"]["step"]["anyOf"]
    assert list(step["properties"]) == list(STEPS)
