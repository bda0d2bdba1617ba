# SPDX-License-Identifier: GPL-3.0-or-later
"""What is compared: names, tracks, ready files; all that is refused before any work."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from dsp.compare.variants import FileVariant, RecipeVariant, plan, unique
from dsp.errors import AudioError, UsageError
from dsp.recipe import parse_recipe
from tests.cli import takes


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return takes.pair(tmp_path_factory.mktemp("take"))


PAIR = RecipeVariant("pair", parse_recipe(takes.PAIR))
ONE = RecipeVariant("one", parse_recipe(takes.ONE))
LISTENS = "drumprint: 1\ntracks:\n  a:\n    steps: [suppress_bleed: {witnesses: [far]}]\n"


def test_names_are_made_unique():
    assert unique(["snare", "snare", "Snare", "raw", "matched"]) == [
        "snare",
        "snare-2",
        "Snare-3",
        "raw-2",
        "matched-2",
    ]


@pytest.mark.parametrize(
    "name", ["", " ", "../up", ".", ".hidden", "a/b", "a\\b", "c:d", "e\nf", "\0"]
)
def test_a_name_that_is_no_folder_is_refused(name):
    with pytest.raises(UsageError, match="variant name"):
        unique([name])


def test_a_recipe_gets_the_tracks_it_knows(files):
    planned = plan([PAIR, ONE], files)
    assert [each.treated for each in planned.variants] == [("top", "bottom"), ("top",)]
    assert list(planned.variants[1].inputs) == ["top"]
    assert planned.sounds == ("top", "bottom", "sum")
    assert planned.keys == {"top": "top", "bottom": "top"}


def test_what_no_variant_treats_is_not_compared(files):
    planned = plan([ONE], files)
    assert planned.tracks == planned.sounds == ("top",)


def test_a_recipe_with_one_track_takes_the_only_one(files):
    planned = plan([ONE], {"snare": files["top"]})
    assert planned.variants[0].treated == ("snare",)
    assert planned.named("one") == 1
    with pytest.raises(UsageError, match="no variant 'two'; accepted: raw, one"):
        planned.named("two")


def test_recipes_with_one_track_are_given_to_tracks_by_name(files):
    other = parse_recipe(takes.ONE.replace("-3", "-5").replace("tracks", "about: low\ntracks", 1))
    both = RecipeVariant("both", {"bottom": ONE.recipe, "top": other})
    planned = plan([both, RecipeVariant("low", {"bottom": other})], files).variants
    assert [each.treated for each in planned] == [("top", "bottom"), ("bottom",)]
    assert [each.about for each in planned] == ["bottom: ; top: low", "low"]
    gains = {track: each.steps[0].gain for track, each in planned[0].recipe.tracks.items()}
    assert gains == {"bottom": -3.0, "top": -5.0}


def test_a_recipe_that_listens_to_another_track_is_given_it(files):
    variant = RecipeVariant("w", {"top": parse_recipe(LISTENS)})
    (planned,) = plan([variant], {**files, "far": files["top"]}).variants
    assert planned.treated == ("top",)
    assert list(planned.inputs) == ["top", "far"]


def test_recipes_that_do_not_fit_a_track_are_refused(files):
    lost = RecipeVariant("x", parse_recipe(takes.ONE.replace("top", "snare")))
    refused(UsageError, "one track, snare, for a take of 2; accepted: NAME:TRACK", [lost], files)
    side = RecipeVariant("x", {"side": ONE.recipe})
    refused(UsageError, "variant x: found a recipe for track side", [side], {"top": files["top"]})
    wide = RecipeVariant("x", {"top": PAIR.recipe})
    refused(UsageError, "a recipe with top, bottom for track top; accepted: a rec", [wide], files)
    two = RecipeVariant("x", {"top": parse_recipe(LISTENS), "bottom": ONE.recipe})
    take = {**files, "far": files["top"]}
    refused(UsageError, "listens to far, beside recipes of other tracks; accepted", [two], take)
    alike = RecipeVariant("x", {"top": ONE.recipe, "Top": ONE.recipe})
    take = {**files, "Top": files["top"]}
    refused(UsageError, "variant x: found the track names 'top' and 'Top'", [alike], take)


@pytest.mark.parametrize("name", ["../up", "a/b", "<b>", "con", ""])
def test_a_track_that_is_no_file_name_is_refused(files, name):
    variant = FileVariant("mine", {name: files["top"]})
    refused(UsageError, "found the track name", [variant], {name: files["top"]})


def test_a_group_that_is_called_like_another_track_is_refused(files):
    group = "groups:\n  bottom:\n    of: [top]\n"
    variant = RecipeVariant("x", parse_recipe(takes.ONE + group))
    refused(UsageError, "found a group bottom beside a track bottom", [variant, PAIR], files)


def test_ready_files_alone_are_measured_at_the_first_tracks_strokes(files):
    planned = plan([FileVariant("mine", {"bottom": files["bottom"], "top": files["top"]})], files)
    assert planned.keys == {"top": "top", "bottom": "top"}
    assert planned.variants[0].about == "ready: top_in.wav, bottom_in.wav"


def refused(error: type[Exception], message: str, variants, given) -> None:
    with pytest.raises(error, match=message):
        plan(variants, given)


def test_what_does_not_fit_is_refused(files, tmp_path):
    refused(UsageError, "found no variant", [], files)
    refused(
        UsageError, "variant pair: found no file for track bottom", [PAIR], {"top": files["top"]}
    )
    refused(
        UsageError,
        "found a track named sum",
        [FileVariant("a", {"top": files["top"], "sum": files["top"]})],
        {"top": files["top"], "sum": files["bottom"]},
    )
    refused(
        UsageError,
        "variant a: found a file for track side; accepted: tracks of the take: top, bottom",
        [FileVariant("a", {"side": files["top"]})],
        files,
    )
    short = takes.write(tmp_path / "short.wav", takes.strokes(1.0))
    refused(AudioError, "short.wav: found 48000 frames", [FileVariant("a", {"top": short})], files)
    wide = takes.write(tmp_path / "wide.wav", np.repeat(takes.strokes(), 2, axis=1))
    refused(
        AudioError,
        "wide.wav: found 144000 frames at 48000 Hz in 2 channels",
        [FileVariant("a", {"top": wide})],
        files,
    )
