# SPDX-License-Identifier: GPL-3.0-or-later
"""The ready recipes load, and are found by name."""

from __future__ import annotations

import pytest

from dsp.errors import UsageError
from dsp.recipe import dump_recipe, load_recipe, parse_recipe, ready_chain, ready_chains

EXPECTED = [
    "overheads",
    "preclean",
    "preclean_witness",
    "room",
    "snare_bottom",
    "snare_full",
    "snare_group",
    "snare_pair",
    "snare_top",
]


def test_they_are_all_there() -> None:
    assert set(EXPECTED) <= set(ready_chains())
    assert list(ready_chains()) == sorted(ready_chains())


@pytest.mark.parametrize("name", list(ready_chains()))
def test_each_loads_and_is_written_back(name: str) -> None:
    recipe = load_recipe(ready_chain(name))
    assert recipe.about
    assert parse_recipe(dump_recipe(recipe)) == recipe


@pytest.mark.parametrize("name", list(ready_chains()))
def test_each_tells_a_mixer_what_it_does(name: str) -> None:
    lines = ready_chain(name).read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# ")
    assert any(f"{name}.yaml" in line for line in lines)


def test_a_wrong_name_is_told_the_nearest() -> None:
    with pytest.raises(UsageError, match="found the ready recipe 'snare_par'; nearest accepted"):
        ready_chain("snare_par")


def test_the_pair_is_keyed_by_its_top() -> None:
    tracks = load_recipe(ready_chain("snare_pair")).tracks
    assert {name: track.key for name, track in tracks.items()} == {"top": None, "bottom": "top"}
