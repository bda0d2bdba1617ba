# SPDX-License-Identifier: GPL-3.0-or-later
"""Recipes built on others, damaged at random: each is told, or comes back as it was read."""

from __future__ import annotations

import random
from pathlib import Path

from dsp.errors import RecipeError
from dsp.recipe import dump_recipe, load_recipe, parse_recipe
from tests.recipe.test_recipe_building import BASE, SONG

DAMAGE = ("$", "$$", "[", "]", "{", "}", ": ", "- ", "null", "1", ", ", "\n", "&a ", "*a", "!!x ")
FULL = (
    f"{SONG}settings: {{x: 3 dB}}\nwith: {{gain: $x, turn: invert}}\nwithout: [bottom]\n"
    "tracks:\n  room: {key: top, steps: [blend: {level: $x, steps: [gate: {key: top}]}]}\n"
    "groups: {more: {of: [snare, room]}}\n"
)


def damaged(text: str, rng: random.Random) -> str:
    """Text with a few pieces put in, taken out, or lines dropped."""
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(text) + 1)
        kind = rng.random()
        if kind < 0.4:
            text = text[:at] + rng.choice(DAMAGE) + text[at:]
        elif kind < 0.7:
            text = text[:at] + text[at + rng.randint(1, 6) :]
        else:
            lines = text.splitlines(keepends=True)
            text = "".join(lines[: at % (len(lines) or 1)] + lines[at % (len(lines) or 1) + 1 :])
    return text


def test_damaged_recipes_are_told_or_come_back(tmp_path: Path) -> None:
    song = tmp_path / "song.yaml"
    rng, whole = random.Random(11), 0
    for _ in range(300):
        (tmp_path / "base.yaml").write_text(damaged(BASE, rng) if rng.random() < 0.6 else BASE)
        song.write_text(damaged(FULL, rng) if rng.random() < 0.8 else FULL)
        try:
            recipe = load_recipe(song)
        except RecipeError:  # anything else is a fault of the reader
            continue
        whole += 1
        assert parse_recipe(dump_recipe(recipe)) == recipe
    assert 5 < whole < 200
