# SPDX-License-Identifier: GPL-3.0-or-later
"""Bring a recipe and the tracks that were given together, and a recipe and its decisions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING

from pydantic import BaseModel

from dsp.errors import UsageError

if TYPE_CHECKING:
    from dsp.recipe import Recipe
    from dsp.steps.base import Decision, Step


def matched(recipe: Recipe, given: Sequence[str]) -> Recipe:
    """The recipe under the names that were given.

    A recipe with one track and no groups takes any name, which then stands in the recipe. Tracks
    that steps only listen to must be given too. Raises `UsageError` naming what is missing, what is
    unknown and what is accepted.
    """
    from dsp.recipe.tracks import check_track_name

    listened_to = helpers(recipe)
    own = [name for name in given if name not in listened_to]
    heard = all(name in given for name in listened_to)
    any_name = len(recipe.tracks) == 1 and not recipe.groups
    if any_name and len(own) == 1 and heard:
        try:
            return renamed(recipe, check_track_name(own[0]))
        except ValueError as error:
            raise UsageError(str(error)) from error
    wanted = [*recipe.tracks, *(name for name in listened_to if name not in recipe.tracks)]
    unknown = [name for name in given if name not in wanted]
    missing = [name for name in wanted if name not in given]
    if unknown or missing:
        groups = list(recipe.groups)
        raise UsageError(_mismatch(unknown, missing, wanted, groups, any_name=any_name))
    return recipe


def every_step(part: BaseModel) -> Iterator[Step]:
    """All steps of a recipe, or of a part of one, with those that stand inside of steps."""
    from dsp.steps.base import Step

    if isinstance(part, Step):
        yield part
    for name in type(part).model_fields:
        value = getattr(part, name)
        inner = value.values() if isinstance(value, Mapping) else value
        for item in inner if isinstance(inner, Iterable) else [inner]:
            if isinstance(item, BaseModel):
                yield from every_step(item)


def helpers(recipe: Recipe) -> list[str]:
    """Tracks that steps of the recipe listen to but that it does not treat."""
    steps = [step for part in recipe.parts for step in part.steps]
    named = [source for step in steps for source in step.sources()]
    return [name for name in dict.fromkeys(named) if name not in recipe.tracks]


def renamed(recipe: Recipe, name: str) -> Recipe:
    """A recipe with one track, under another name."""
    (track,) = recipe.tracks.values()
    return type(recipe)(drumprint=recipe.drumprint, about=recipe.about, tracks={name: track})


def with_decisions(recipe: Recipe, decisions: Mapping[str, Iterable[Decision]]) -> Recipe:
    """The recipe with each `auto` replaced by what it became."""
    from dsp.recipe import resolved

    steps: dict[str, list[Step]] = {
        name: [decision.step for decision in decided] for name, decided in decisions.items()
    }
    return resolved(recipe, steps)


def _mismatch(
    unknown: list[str], missing: list[str], wanted: list[str], groups: list[str], *, any_name: bool
) -> str:
    parts = []
    for name in unknown:
        if name in groups:
            parts.append(f"found a file for {name}, a group, which is summed from its members")
            continue
        near = get_close_matches(name, missing, n=1)
        hint = f" (did you mean {near[0]}?)" if near else ""
        parts.append(f"found track {name}, which the recipe does not know{hint}")
    if missing:
        parts.append(f"found no file for track {', '.join(missing)}")
    accepted = ", ".join(f"{name}=FILE" for name in wanted)
    tail = "; the recipe has one track, whose name may be any" if any_name else ""
    return f"{'; '.join(parts)}; accepted: {accepted}{tail}"
