# SPDX-License-Identifier: GPL-3.0-or-later
"""A recipe in Python: for each track, a list of steps."""

from __future__ import annotations

from itertools import chain, starmap
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)
from pydantic_core import InitErrorDetails

from dsp.recipe.item import AnyStep, refuse
from dsp.recipe.scalars import shown
from dsp.recipe.tracks import TrackView, check_track_name, cross_faults, sources_of

FORMAT = 1


def _check_format(found: Any) -> Any:
    if type(found) is int and found > FORMAT:
        raise refuse(
            f"recipe format {found} is newer than this program's {FORMAT}; accepted: {FORMAT}"
        )
    if type(found) is not int:
        raise refuse(f"found {shown(found)}; accepted: {FORMAT}")
    return found


def _check_text(text: str) -> str:
    if any("\ud800" <= c <= "\udfff" for c in text):
        raise refuse("found half of a surrogate pair; accepted: text that UTF-8 can hold")
    return text


TrackName = Annotated[str, AfterValidator(check_track_name)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class TrackRecipe(_Part):
    """What is done to one track."""

    key: str | None = Field(
        None,
        description="The track whose strokes this one goes by; without it, strokes are found on "
        "this track. The named track must have no `key` of its own",
    )
    steps: tuple[AnyStep, ...] = Field(
        description="Steps in the order in which they run; an empty list leaves the track as it is"
    )


class Recipe(_Part):
    """A recipe: which steps run on which track of a take, with which settings.

    Raises `pydantic.ValidationError` (a `ValueError`) where a value is not accepted;
    `parse_recipe` and `load_recipe` tell the same faults by line.
    """

    drumprint: Annotated[Literal[1], BeforeValidator(_check_format)] = Field(
        description="Version of the recipe format"
    )
    about: Annotated[str, AfterValidator(_check_text)] = Field(
        "", description="What the recipe is for, in a sentence"
    )
    tracks: dict[TrackName, TrackRecipe] = Field(
        min_length=1,
        description="Tracks of the take by name; a recipe with one track takes any name",
    )

    @model_validator(mode="after")
    def _check_tracks(self) -> Self:
        views = {
            name: TrackView(
                track.key, tuple(chain.from_iterable(starmap(sources_of, enumerate(track.steps))))
            )
            for name, track in self.tracks.items()
        }
        details = [
            InitErrorDetails(type=refuse(message), loc=place, input=None)
            for place, message in cross_faults(views)
        ]
        if details:
            raise ValidationError.from_exception_data("Recipe", details)
        return self
