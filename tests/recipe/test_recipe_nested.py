# SPDX-License-Identifier: GPL-3.0-or-later
"""Steps inside a step: told, written and described like any other."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import pytest
from jsonschema import Draft202012Validator
from pydantic import Field

from dsp.curves import flat
from dsp.errors import RecipeError
from dsp.recipe import dump_recipe, parse_recipe, recipe_schema
from dsp.recipe.document import read_document
from dsp.recipe.item import AnyStep
from dsp.steps import STEPS, Decision, Level, Scene, Step
from dsp.steps.base import Key


class Nest(Step):
    """Holds steps; only here to be tested with."""

    name: ClassVar[str] = "nest_for_tests"

    steps: tuple[AnyStep, ...] = Field((), description="Steps inside")
    key: Key = Field("hits")

    def decide(self, scene: Scene) -> Decision:
        return Decision(flat(scene.rate, len(scene.audio)), self)

    def sources(self) -> Mapping[str, str]:
        inner = {name: need for step in self.steps for name, need in step.sources().items()}
        return {**super().sources(), **inner}


@pytest.fixture(autouse=True)
def _registered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(STEPS, Nest.name, Nest)


def text(inner: str) -> str:
    return (
        "drumprint: 1\ntracks:\n  bottom: {steps: []}\n  top:\n    steps:\n"
        f"      - nest_for_tests:\n          steps:\n            - level\n            - {inner}\n"
    )


def test_read_and_written_back() -> None:
    recipe = parse_recipe(text("nest_for_tests: {steps: [level: {gain: 3 dB}]}"))
    assert recipe.tracks["top"].steps == (Nest(steps=(Level(), Nest(steps=(Level(gain=3),)))),)
    assert parse_recipe(dump_recipe(recipe)) == recipe


@pytest.mark.parametrize(
    ("inner", "told"),
    [
        ("level: {gain: 99}", ".level.gain: found 99; accepted: -60 to 24 dB"),
        ("level: {gian: 9}", ".level.gian: found the setting 'gian'; nearest accepted: gain"),
        ("levle", ": found the step 'levle'; nearest accepted: level"),
        ("nest_for_tests: {steps: [level: {gain: 99}]}",
         ".nest_for_tests.steps[0].level.gain: found 99; accepted: -60 to 24 dB"),
        ("nest_for_tests: {key: botom}",
         ".nest_for_tests.key: found the track 'botom'; nearest accepted: bottom"),
    ],
)  # fmt: skip
def test_faults_inside(inner: str, told: str) -> None:
    with pytest.raises(RecipeError) as error:
        parse_recipe(text(inner))
    (fault,) = map(str, error.value.faults)
    assert fault.startswith(f"line 9, tracks.top.steps[0].nest_for_tests.steps[1]{told}")


def test_the_schema_goes_as_deep() -> None:
    validator = Draft202012Validator(recipe_schema())
    assert validator.is_valid(read_document(text("level: {gain: 9}")).data)
    assert not validator.is_valid(read_document(text("level: {gain: 99}")).data)
