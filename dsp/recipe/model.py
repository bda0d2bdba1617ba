# SPDX-License-Identifier: GPL-3.0-or-later
"""A recipe in Python: for each track, a list of steps."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import chain, starmap
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    model_validator,
)
from pydantic_core import InitErrorDetails

from dsp.recipe.grouped import Found, GroupView
from dsp.recipe.item import AnyStep, refuse
from dsp.recipe.scalars import shown
from dsp.recipe.tracks import TrackView, aligned_by, check_track_name, cross_faults, sources_of
from dsp.units import Quantity

if TYPE_CHECKING:
    from dsp.steps.base import Step

FORMAT = 1
PARTS_ONLY = "parts only"  # context for those who tell faults between tracks by themselves


def wrong_format(found: Any) -> str | None:
    """Say what is wrong with the number of the recipe format, if anything is."""
    if type(found) is int and found > FORMAT:
        return f"recipe format {found} is newer than this program's {FORMAT}; accepted: {FORMAT}"
    if type(found) is not int or found < FORMAT:
        return f"found {shown(found)}; accepted: {FORMAT}"
    return None


def _check_format(found: Any) -> Any:
    if message := wrong_format(found):
        raise refuse(message)
    return found


def _check_text(text: str) -> str:
    if any("\ud800" <= c <= "\udfff" for c in text):
        raise refuse("found half of a surrogate pair; accepted: text that UTF-8 can hold")
    return text


TrackName = Annotated[str, AfterValidator(check_track_name)]


def _or_a_list(schema: dict[str, Any]) -> None:
    """Members may also be written as a list of names."""
    levels = {name: schema.pop(name) for name in [*schema] if name != "description"}
    names = {"type": "array", "items": {"type": "string"}, "minItems": 1, "uniqueItems": True}
    schema["anyOf"] = [levels, names]


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


def _by_name(found: Any) -> Any:
    """Members as a list of names: each at 0 dB."""
    if not isinstance(found, list | tuple):
        return found
    if wrong := [name for name in found if not isinstance(name, str)]:
        raise refuse(f"found {shown(wrong[0])} in a list; accepted: names of tracks or groups")
    if twice := [name for name in dict.fromkeys(found) if found.count(name) > 1]:
        raise refuse(f"found {shown(twice[0])} twice; accepted: each member once")
    return dict.fromkeys(found, 0.0)


class GroupRecipe(_Part):
    """The sum of treated tracks, with steps of its own; it prints like a track."""

    of: Annotated[
        dict[str, Annotated[float, Quantity("dB", -60, 24)]], BeforeValidator(_by_name)
    ] = Field(
        min_length=1,
        json_schema_extra=_or_a_list,
        description="Tracks and other groups whose treated sound is summed, in this order: a list "
        "of names, or names with the level of each in dB. Mono goes to all channels",
    )
    key: str | None = Field(
        None,
        description="The track whose strokes the group goes by; without it, those that its first "
        "member goes by. The named track must have no `key` of its own",
    )
    steps: tuple[AnyStep, ...] = Field(
        (), description="Steps in the order in which they run on the sum"
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
        description="Tracks of the take by name; a recipe with one track and no groups takes any "
        "name",
    )
    groups: dict[TrackName, GroupRecipe] = Field(
        default_factory=dict, description="Sums of tracks by name, which print like tracks"
    )

    def part(self, name: str) -> TrackRecipe | GroupRecipe:
        """The track or group of this name; `KeyError` where there is none."""
        return self.groups[name] if name in self.groups else self.tracks[name]

    @property
    def parts(self) -> list[TrackRecipe | GroupRecipe]:
        """All tracks, then all groups."""
        return [*self.tracks.values(), *self.groups.values()]

    @model_validator(mode="after")
    def _check_tracks(self, info: ValidationInfo) -> Self:
        if info.context == PARTS_ONLY:
            return self
        tracks = {
            name: TrackView(track.key, _told(sources_of, track), _told(aligned_by, track))
            for name, track in self.tracks.items()
        }
        groups = {
            name: GroupView(group.key, _told(sources_of, group), tuple(map(_member, group.of)))
            for name, group in self.groups.items()
        }
        details = [
            InitErrorDetails(type=refuse(message), loc=place, input=None)
            for place, message in cross_faults(tracks, groups)
        ]
        if details:
            raise ValidationError.from_exception_data("Recipe", details)
        return self


def _told(
    by: Callable[[int, Step], Iterator[Found]], part: TrackRecipe | GroupRecipe
) -> tuple[Found, ...]:
    return tuple(chain.from_iterable(starmap(by, enumerate(part.steps))))


def _member(name: str) -> Found:
    return ("of", name), name
