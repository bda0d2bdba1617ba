# SPDX-License-Identifier: GPL-3.0-or-later
"""What is written reads back as the same recipe, whatever the recipe."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from dsp.recipe import Recipe, TrackRecipe, dump_recipe, parse_recipe, resolved
from dsp.steps import STEPS, Level
from tests.recipe.recipes import FUZZ, models, recipes


def one(*steps: Level, about: str = "") -> Recipe:
    return Recipe(drumprint=1, about=about, tracks={"top": TrackRecipe(steps=steps)})


@FUZZ
@given(recipes())
def test_written_and_read_back(recipe: Recipe) -> None:
    text = dump_recipe(recipe)
    assert parse_recipe(text) == recipe
    assert dump_recipe(parse_recipe(text)) == text


@pytest.mark.parametrize("name", list(STEPS))
def test_every_step_is_written_and_read_back(name: str) -> None:
    @settings(FUZZ, max_examples=30)
    @given(models(STEPS[name]))
    def check(step: Level) -> None:
        recipe = one(step)
        assert parse_recipe(dump_recipe(recipe)) == recipe

    check()


@FUZZ
@given(st.text(st.characters(codec="utf-8")) | st.from_regex(r"\A[-+.0-9eE:_xontrufalse~<= ]*\Z"))
def test_any_text_comes_back(about: str) -> None:
    recipe = one(about=about)
    assert parse_recipe(dump_recipe(recipe)) == recipe


@FUZZ
@given(st.floats(-60, 24))
def test_numbers_come_back_exactly(gain: float) -> None:
    (step,) = parse_recipe(dump_recipe(one(Level(gain=gain)))).tracks["top"].steps
    assert isinstance(step, Level)
    assert step.gain == gain


def test_settings_are_written_out_with_units_in_order() -> None:
    text = dump_recipe(one(Level(delay=3, gain=-2.5), about="yes"))
    first, rest = text.split("\n", 1)
    assert first.startswith("# Recipe written by drumprint ")
    assert rest == (
        "drumprint: 1\nabout: 'yes'\ntracks:\n  top:\n    steps:\n"
        "    - level: {gain: -2.5 dB, polarity: keep, delay: 3 samples}\n"
    )


def test_text_that_no_file_can_hold_is_refused() -> None:
    with pytest.raises(ValidationError):
        one(about="\ud800")


def test_resolved_replaces_steps_and_nothing_else() -> None:
    recipe = Recipe(
        drumprint=1,
        about="pair",
        tracks={
            "top": TrackRecipe(steps=(Level(), Level())),
            "bottom": TrackRecipe(key="top", steps=(Level(gain=1),)),
        },
    )
    done = resolved(recipe, {"top": [Level(gain=2), Level(gain=3)]})
    assert done.tracks["top"].steps == (Level(gain=2), Level(gain=3))
    assert done.tracks["bottom"] == recipe.tracks["bottom"]
    assert (done.drumprint, done.about) == (1, "pair")
    with pytest.raises(KeyError, match="no such track or group: x"):
        resolved(recipe, {"x": []})
