# SPDX-License-Identifier: GPL-3.0-or-later
"""Groups in a recipe: read, written, described, and every fault told at its place."""

from __future__ import annotations

import pytest
from jsonschema import Draft202012Validator

from dsp.errors import RecipeError
from dsp.recipe import GroupRecipe, Recipe, TrackRecipe, dump_recipe, parse_recipe, recipe_schema
from dsp.recipe.document import read_document
from dsp.steps import Gate, Level

HEAD = "drumprint: 1\ntracks:\n  top: {steps: []}\n  bottom: {key: top, steps: []}\ngroups:\n"


def faults(groups: str) -> list[str]:
    with pytest.raises(RecipeError) as error:
        parse_recipe(HEAD + groups)
    return [str(fault).removeprefix("line ") for fault in error.value.faults]


def test_members_are_a_list_or_have_levels() -> None:
    recipe = parse_recipe(
        f"{HEAD}  a: {{of: [top, bottom], steps: [level]}}\n"
        "  b: {of: {a: -3 dB, top: 1}, key: top}\n"
    )
    assert recipe.groups == {
        "a": GroupRecipe(of=["top", "bottom"], steps=(Level(),)),  # type: ignore[arg-type]
        "b": GroupRecipe(of={"a": -3.0, "top": 1.0}, key="top"),
    }
    assert list(recipe.groups["b"].of.items()) == [("a", -3.0), ("top", 1.0)]
    assert recipe.groups["a"].of == {"top": 0.0, "bottom": 0.0}
    assert parse_recipe(dump_recipe(recipe)) == recipe
    assert "groups" not in dump_recipe(parse_recipe(HEAD.removesuffix("groups:\n")))


@pytest.mark.parametrize(
    ("group", "told"),
    [
        ("a: {of: [top, botom]}",
         "6, groups.a.of[1]: found the member 'botom'; nearest accepted: bottom"),
        ("a: {of: {botom: 1}}", "6, groups.a.of.botom: found the member 'botom'; nearest accepted"),
        ("a: {of: []}", "6, groups.a.of: found 0 entries; accepted: 1 or more"),
        ("a: {of: {}}", "6, groups.a.of: found 0 entries; accepted: 1 or more"),
        ("a: {steps: []}", "6, groups.a.of: found nothing; accepted: a mapping of names"),
        ("a: {of: top}", "6, groups.a.of: found 'top'; accepted: a mapping of names"),
        ("a: {of: [top, top]}", "6, groups.a.of: found 'top' twice; accepted: each member once"),
        ("a: {of: [top, 3]}", "6, groups.a.of: found 3 in a list; accepted: names of tracks or"),
        ("a: {of: {top: 3 ms}}", "6, groups.a.of.top: found '3 ms', unit 'ms'; accepted: -60 to"),
        ("a: {of: [a]}", "6, groups.a.of[0]: found 'a', the group itself; accepted: top, bottom"),
        ("top: {of: [bottom]}", "6, groups.top: found the group 'top' beside 'top'; accepted: a"),
        ("Top: {of: [bottom]}", "6, groups.Top: found the group 'Top' beside 'top'; accepted: a"),
        ("a/b: {of: [top]}", "6, groups.a/b: found the track name 'a/b'; accepted: letters"),
        ("a: {of: [top], key: bottom}",
         "6, groups.a.key: found 'bottom', which has a key itself (top); accepted: top"),
        ("a: {of: [top], key: a}", "6, groups.a.key: found the group 'a'; accepted: top"),
        ("a: {of: [top], key: tpo}",
         "6, groups.a.key: found the track 'tpo'; nearest accepted: top"),
        ("a: {of: [top], steps: [gate: {key: a}]}",
         "6, groups.a.steps[0].gate.key: found the group 'a'; accepted: hits, own, top, bottom"),
        ("a: {of: [top], steps: [blend: {steps: [gate: {key: botom}]}]}",
         "6, groups.a.steps[0].blend.steps[0].gate.key: found the track 'botom'; nearest accepted"),
        ("a: {of: [top], steps: [levle]}",
         "6, groups.a.steps[0]: found the step 'levle'; nearest accepted: level"),
        ("a: {off: [top], of: [top]}",
         "6, groups.a.off: found the setting 'off'; nearest accepted: of"),
    ],
)  # fmt: skip
def test_faults(group: str, told: str) -> None:
    (fault,) = faults(f"  {group}\n")
    assert fault.startswith(told)


def test_a_circle_is_told_once_with_its_way() -> None:
    text = "  c: {of: [top, d]}\n  d: {of: [e]}\n  e: {of: {c: 0}}\n  f: {of: [c]}\n"
    (fault,) = faults(text)
    assert fault.startswith(
        "6, groups.c.of[1]: found a circle of groups, c → d → e → c; accepted: "
    )


def test_tracks_cannot_go_by_groups() -> None:
    with pytest.raises(RecipeError) as error:
        parse_recipe(
            "drumprint: 1\ntracks:\n  top: {steps: [gate: {key: sum}]}\n"
            "  low: {key: sum, steps: []}\ngroups: {sum: {of: [top]}}"
        )
    assert [f"{fault}".split("; ")[0] for fault in error.value.faults] == [
        "line 3, tracks.top.steps[0].gate.key: found the group 'sum'",
        "line 4, tracks.low.key: found the group 'sum'",
    ]


def test_the_same_from_python() -> None:
    tracks = {"top": TrackRecipe(steps=())}
    with pytest.raises(ValueError, match="found the member 'x'"):
        Recipe(drumprint=1, tracks=tracks, groups={"a": GroupRecipe(of={"x": 0})})
    with pytest.raises(ValueError, match="found the track 'x'"):
        Recipe(
            drumprint=1,
            tracks=tracks,
            groups={"a": GroupRecipe(of={"top": 0}, steps=(Gate(key="x"),))},
        )


def test_the_schema_knows_groups() -> None:
    validator = Draft202012Validator(recipe_schema())
    for good in ("{of: [top]}", "{of: {top: -3 dB}, steps: [level]}", "{of: {top: 3}, key: top}"):
        assert validator.is_valid(read_document(f"{HEAD}  a: {good}").data)
    for wrong in ("{of: []}", "{of: {top: 99}}", "{steps: []}", "{of: [top, top]}", "{of: top}"):
        assert not validator.is_valid(read_document(f"{HEAD}  a: {wrong}").data)
