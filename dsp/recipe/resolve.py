# SPDX-License-Identifier: GPL-3.0-or-later
"""Writing recipes, so that reading them back gives the same recipe."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import yaml

from dsp.recipe.model import GroupRecipe, Recipe, TrackRecipe
from dsp.recipe.references import escaped
from dsp.recipe.scalars import FALSE, INTEGER, NULL, NUMBER, TRUE
from dsp.version import version

if TYPE_CHECKING:
    from dsp.steps.base import Step

WIDTH = 100
BREAKS = frozenset("\x85\u2028\u2029")  # the emitter folds them, but no reader unfolds them


class _Dumper(yaml.SafeDumper):
    """Quotes whatever this program or a YAML 1.1 reader would not take for text."""

    def ignore_aliases(self, data: Any) -> bool:
        return True


def _write_text(dumper: _Dumper, text: str) -> yaml.ScalarNode:
    style = '"' if BREAKS.intersection(text) else None
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style=style)


_Dumper.add_representer(str, _write_text)
for _kind, _pattern in (
    ("null", NULL),
    ("bool", TRUE),
    ("bool", FALSE),
    ("int", INTEGER),
    ("float", NUMBER),
):
    _Dumper.add_implicit_resolver(f"tag:yaml.org,2002:{_kind}", _pattern, None)


def resolved(recipe: Recipe, steps: Mapping[str, Sequence[Step]]) -> Recipe:
    """Replace the steps of the named tracks and groups, as by those that their decisions resolved.

    Raises `pydantic.ValidationError` where the result would not be a recipe, and `KeyError` on a
    name that the recipe does not have.
    """
    if unknown := set(steps) - set(recipe.tracks) - set(recipe.groups):
        raise KeyError(f"no such track or group: {', '.join(sorted(unknown))}")
    tracks = {
        name: TrackRecipe(key=track.key, steps=tuple(steps.get(name, track.steps)))
        for name, track in recipe.tracks.items()
    }
    groups = {
        name: GroupRecipe(of=group.of, key=group.key, steps=tuple(steps.get(name, group.steps)))
        for name, group in recipe.groups.items()
    }
    about = recipe.about
    return Recipe(drumprint=recipe.drumprint, about=about, tracks=tracks, groups=groups)


def dump_recipe(recipe: Recipe) -> str:
    """Write a recipe as YAML text.

    Every setting is written out, with its unit, in the order of declaration; numbers come back
    exactly. `parse_recipe` of the result equals `recipe`.
    """
    written = recipe.model_dump(mode="json")
    if not recipe.about:
        del written["about"]
    if not recipe.groups:
        del written["groups"]
    for part in (*written["tracks"].values(), *written.get("groups", {}).values()):
        if part["key"] is None:
            del part["key"]
    for kind in ("tracks", "groups"):
        if kind in written:
            written[kind] = escaped(written[kind])
    body = yaml.dump(
        written,
        Dumper=_Dumper,
        sort_keys=False,
        allow_unicode=True,
        width=WIDTH,
        default_flow_style=None,
    )
    return f"# Recipe written by drumprint {version()}\n{body}"
