# SPDX-License-Identifier: GPL-3.0-or-later
"""Recipes with named settings, and recipes built on others."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from dsp.errors import RecipeError
from dsp.recipe import Recipe, dump_recipe, load_recipe, parse_recipe, recipe_schema
from dsp.recipe.building import DEEPEST
from dsp.recipe.document import read_document
from dsp.recipe.load import read_recipe
from dsp.recipe.references import escaped
from dsp.steps import Level
from tests.recipe.recipes import FUZZ

BASE = """\
drumprint: 1
about: The base
settings:
  gain: -2 dB
  turn: keep
  helper: top
tracks:
  top:
    steps:
      - level: {gain: $gain, polarity: $turn}
      - level: {gain: $gain}
  bottom: {key: $helper, steps: []}
groups:
  snare: {of: {top: $gain, bottom: 0 dB}}
  all: {of: [snare, bottom]}
"""
TEXTS = st.text("$a")
SONG = "drumprint: 1\nfrom: base.yaml\n"


@pytest.fixture
def song(tmp_path: Path) -> Path:
    (tmp_path / "base.yaml").write_text(BASE)
    return tmp_path / "song.yaml"


def loaded(song: Path, text: str) -> Recipe:
    song.write_text(SONG + text)
    return load_recipe(song)


def told(song: Path, text: str) -> list[str]:
    """Faults of a song, less its folder."""
    song.write_text(text)
    with pytest.raises(RecipeError) as error:
        load_recipe(song)
    return [str(fault).replace(f"{song.parent}/", "") for fault in error.value.faults]


def test_settings_have_their_defaults() -> None:
    recipe = parse_recipe(BASE)
    assert recipe.tracks["top"].steps == (Level(gain=-2), Level(gain=-2))
    assert recipe.tracks["bottom"].key == "top"
    assert recipe.groups["snare"].of == {"top": -2.0, "bottom": 0.0}


def test_a_recipe_gives_values_to_the_one_it_is_built_on(song: Path) -> None:
    recipe = loaded(song, "with: {gain: 3 dB, turn: invert}\n")
    assert recipe.tracks["top"].steps == (Level(gain=3, polarity="invert"), Level(gain=3))
    assert recipe.about == "The base"
    assert loaded(song, "about: Mine\n").about == "Mine"
    assert load_recipe(song).tracks == parse_recipe(BASE).tracks


def test_what_is_built_is_plain_and_comes_back(song: Path) -> None:
    recipe = loaded(song, "with: {gain: 3 dB}\n")
    text = dump_recipe(recipe)
    assert "$" not in text
    assert "from" not in text
    assert parse_recipe(text) == recipe


def test_tracks_and_groups_are_replaced_whole_or_added(song: Path) -> None:
    recipe = loaded(
        song,
        "tracks:\n  top: {steps: [level]}\n  room: {key: top, steps: []}\n"
        "groups: {all: {of: [snare, room]}, more: {of: [all]}}\n",
    )
    assert list(recipe.tracks) == ["top", "bottom", "room"]
    assert recipe.tracks["top"].steps == (Level(),)
    assert list(recipe.groups) == ["snare", "all", "more"]
    assert list(recipe.groups["all"].of) == ["snare", "room"]
    assert recipe.groups["snare"] == parse_recipe(BASE).groups["snare"]


def test_tracks_and_groups_are_left_out_everywhere(song: Path) -> None:
    recipe = loaded(song, "without: [bottom]\nwith: {gain: 1}\n")
    assert list(recipe.tracks) == ["top"]
    assert recipe.groups["snare"].of == {"top": 1.0}
    assert recipe.groups["all"].of == {"snare": 0.0}
    assert list(loaded(song, "without: [all]\n").groups) == ["snare"]
    # what was left out may come anew
    again = loaded(song, "without: [bottom]\ntracks: {bottom: {steps: [level]}}\n")
    assert again.tracks["bottom"].steps == (Level(),)


def test_values_go_down_through_every_recipe(song: Path) -> None:
    middle = f"{SONG}settings: {{loud: 5 dB}}\nwith: {{gain: $loud, turn: invert}}\n"
    (song.parent / "middle.yaml").write_text(middle)
    song.write_text("drumprint: 1\nfrom: middle.yaml\nwith: {loud: 7 dB}\n")
    found = read_recipe(song)
    assert found.recipe.tracks["top"].steps[0] == Level(gain=7, polarity="invert")
    assert [Path(name).name for name in found.built_on] == ["middle.yaml", "base.yaml"]


def test_files_are_found_beside_the_recipe_that_names_them(tmp_path: Path) -> None:
    (tmp_path / "a" / "b").mkdir(parents=True)
    (tmp_path / "a" / "b" / "base.yaml").write_text(BASE)
    (tmp_path / "a" / "mid.yaml").write_text("drumprint: 1\nfrom: b/base.yaml\n")
    (tmp_path / "song.yaml").write_text("drumprint: 1\nfrom: a/mid.yaml\n")
    assert load_recipe(tmp_path / "song.yaml") == parse_recipe(BASE)


def test_a_ready_chain_is_built_on_by_name() -> None:
    recipe = parse_recipe("drumprint: 1\nfrom: snare_pair\ntracks: {room: {key: top, steps: []}}\n")
    assert list(recipe.tracks) == ["top", "bottom", "room"]


def test_a_doubled_sign_is_a_sign(song: Path) -> None:
    text = (
        "drumprint: 1\nsettings: {name: $$x}\ntracks: {top: {steps: [dynamic_eq: "
        "{bands: [{name: $name, at: 99}, {name: $$y, at: 99}, {name: a$b, at: 99}]}]}}\n"
    )
    recipe = parse_recipe(text)
    names = [band.name for band in recipe.tracks["top"].steps[0].bands]  # type: ignore[attr-defined]
    assert names == ["$x", "$y", "a$b"]
    assert parse_recipe(dump_recipe(recipe)) == recipe


@FUZZ
@given(
    st.recursive(
        st.text("$a"), lambda inner: st.lists(inner) | st.dictionaries(st.text("$a"), inner)
    )
)
def test_no_text_is_taken_for_a_reference(data: object) -> None:
    def read(part: object) -> object:
        if isinstance(part, dict):
            return {key: read(value) for key, value in part.items()}
        if isinstance(part, list):
            return [read(value) for value in part]
        assert not str(part).startswith("$") or str(part).startswith("$$")
        return str(part)[1:] if str(part).startswith("$$") else part

    assert read(escaped(data)) == data


ONE = "drumprint: 1\nsettings: {a: 1 dB}\ntracks: {top: {steps: [level: {gain: $a}]}}\n"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (f"{SONG}with: {{gian: 3}}\n",
         "line 3, with.gian: found the setting 'gian'; nearest accepted: gain"),
        (f"{SONG}with:\n  turn: keep\n  gain: 3 ms\n",
         "line 5, with.gain: found '3 ms', unit 'ms'; accepted: -60 to 24 dB (write dB) "
         "(used as tracks.top.steps[0].level.gain of base.yaml)"),
        (f"{SONG}with: {{helper: tpo}}\n",
         "line 3, with.helper: found the track 'tpo'; nearest accepted: top (used as "),
        (f"{SONG}with: {{turn: [1]}}\n", "line 3, with.turn: found a list; accepted: one value"),
        (f"{SONG}with: {{turn: }}\n", "line 3, with.turn: found nothing; accepted: one value"),
        (f"{SONG}with: [1]\n", "line 3, with: found a list; accepted: a mapping of names"),
        (f"{SONG}with: {{turn: $none}}\n",
         "line 3, with.turn: found $none, which is no name under `settings`; accepted: $$ for"),
        (f"{SONG}without: [botom]\n", "line 3, without[0]: found 'botom'; nearest accepted: bot"),
        (f"{SONG}without: bottom\n", "line 3, without: found 'bottom'; accepted: a list of names"),
        (f"{SONG}without: [top]\n",
         "base.yaml, line 6, settings.helper: found 'top', but there is no other track"),
        ("drumprint: 1\nfrom: bse.yaml\n",
         "line 2, from: found 'bse.yaml': bse.yaml: no such file; accepted: a recipe, a YAML file"),
        ("drumprint: 1\nfrom: snare_par\n",
         "line 2, from: found 'snare_par', which is no ready recipe; accepted: a file beside"),
        ("drumprint: 1\nfrom: [x]\n", "line 2, from: found a list; accepted: a file beside this"),
        ("drumprint: 1\nfrom: ''\n", "line 2, from: found ''; accepted: a file beside this one"),
        ("drumprint: 1\nfrom: song.yaml\n",
         "line 2, from: found a circle of recipes, song.yaml → song.yaml; accepted: recipes that"),
        (f"{ONE}with: {{a: 3}}\n", "line 4, with: found with and no from; accepted: with"),
        (f"{ONE}without: [top]\n", "line 4, without: found without and no from; accepted: with"),
        (ONE.replace("$a", "$b"), "line 3, tracks.top.steps[0].level.gain: found $b, which is no "
         "name under `settings`; accepted: a"),
        (ONE.replace("a: 1 dB", "a: 1 ms"),
         "line 2, settings.a: found '1 ms', unit 'ms'; accepted: -60 to 24 dB (write dB) (used as "
         "tracks.top.steps[0].level.gain)"),
        (ONE.replace("a: 1", "b: 2, a: 1"),
         "line 2, settings.b: found b, which no value uses as $b; accepted: what is used"),
        (ONE.replace("a: 1 dB", "a: 1, 2b: 3"),
         "line 2, settings.2b: found the name '2b'; accepted: letters, digits and '_'"),
        (ONE.replace("settings", "setings").replace("$a", "1"),
         "line 2, setings: found the setting 'setings'; nearest accepted: settings"),
    ],
)  # fmt: skip
def test_faults(song: Path, text: str, expected: str) -> None:
    faults = told(song, text)
    if "$b" in text and "b:" not in text:
        faults = [fault for fault in faults if "settings.a" not in fault]  # now unused
    (fault,) = faults
    assert fault.startswith(expected)


def test_all_faults_of_all_files_at_once(song: Path) -> None:
    base = BASE.replace("key: $helper", "keg: $helper").replace("drumprint: 1", "drumprint: 2")
    (song.parent / "base.yaml").write_text(f"{base}extra: 1\n")
    faults = told(
        song,
        f"{SONG}with: {{gain: 99 dB, turn: up}}\ntracks:\n  room: {{steps: [levle]}}\n"
        "groups: {more: {of: [rom]}}\n",
    )
    assert [fault.split("; ")[0] for fault in faults] == [
        "line 3, with.gain: found '99 dB'".replace("'", ""),
        "line 3, with.turn: found 'up'",
        "line 5, tracks.room.steps[0]: found the step 'levle'",
        "line 6, groups.more.of[0]: found the member 'rom'",
        "base.yaml, line 1, drumprint: recipe format 2 is newer than this program's 1",
        "base.yaml, line 12, tracks.bottom.keg: found the setting 'keg'",
        "base.yaml, line 16, extra: found the setting 'extra'",
    ]


@pytest.mark.parametrize(
    ("base", "expected"),
    [
        ("[1]", "base.yaml, line 1, document: found a list; accepted: a recipe"),
        ("", "base.yaml, line 1, document: found an empty document; accepted: a recipe"),
        ("a: [", "base.yaml, line 2, document: not YAML"),
        (
            "drumprint: 1\ntracks: [1]",
            "base.yaml, line 2, tracks: found a list; accepted: a",
        ),
        ("tracks: {x: {steps: []}}", "base.yaml, line 1, drumprint: found nothing; accepted: 1"),
    ],
)
def test_a_base_that_is_no_recipe(song: Path, base: str, expected: str) -> None:
    (song.parent / "base.yaml").write_text(base)
    (fault,) = told(song, f"{SONG}tracks: {{top: {{steps: []}}}}\n")
    assert fault.startswith(expected)


def test_a_base_that_cannot_be_read(song: Path) -> None:
    (song.parent / "base.yaml").write_bytes(b"drumprint: 1\n\xff")
    (fault,) = told(song, SONG)
    assert "base.yaml: found byte 0xFF at position 13, not UTF-8" in fault
    (song.parent / "base.yaml").unlink()
    (song.parent / "base.yaml").mkdir()
    # what can be told of the song itself is told beside it
    missing, own = told(song, f"{SONG}tracks: {{top: {{key: bottom, steps: [levle]}}}}\n")
    assert "base.yaml: found a folder" in missing
    assert own.startswith("line 3, tracks.top.steps[0]: found the step 'levle'")


def test_a_circle_names_its_way(song: Path) -> None:
    (song.parent / "base.yaml").write_text("drumprint: 1\nfrom: other.yaml\n")
    (song.parent / "other.yaml").write_text("drumprint: 1\n\nfrom: base.yaml\n")
    (fault,) = told(song, SONG)
    assert fault.startswith(
        "other.yaml, line 3, from: found a circle of recipes, base.yaml → other.yaml → base.yaml"
    )


def test_recipes_are_not_built_on_each_other_without_end(song: Path) -> None:
    for number in range(20):
        (song.parent / f"{number}.yaml").write_text(f"drumprint: 1\nfrom: {number + 1}.yaml\n")
    (fault,) = told(song, "drumprint: 1\nfrom: 0.yaml\n")
    assert f"found more than {DEEPEST} recipes built on each other" in fault
    assert fault.startswith(f"{DEEPEST - 2}.yaml, line 2")
    names = "".join("      - level: {gain: $a}\n" for _ in range(3900))
    big = f"drumprint: 1\nsettings: {{a: 1}}\ntracks:\n  top:\n    steps:\n{names}"
    assert len(parse_recipe(big).tracks["top"].steps) == 3900


def test_the_schema_knows_it() -> None:
    validator = Draft202012Validator(recipe_schema())

    def fits(text: str) -> bool:
        return bool(validator.is_valid(read_document(text).data))

    assert fits(BASE)
    assert fits(f"{SONG}with: {{gain: 3 dB, n: 3}}\nwithout: [a]\n")
    assert not fits(f"{SONG}with: {{gain: [3]}}\n")
    assert not fits(f"{ONE}with: {{gain: 3}}\n")
    assert not fits("drumprint: 1\n")
    assert not fits(ONE.replace("$a", "$9"))
    assert not fits(ONE.replace("$a", "'a $b'"))
