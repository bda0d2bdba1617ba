# SPDX-License-Identifier: GPL-3.0-or-later
"""What is compared: recipes and ready files, and what each of them does to which track."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from dsp.errors import AudioError, UsageError
from dsp.matching import helpers, matched
from dsp.sources import common_clock, stated
from dsp.summing import refuse_channels

if TYPE_CHECKING:
    from dsp.recipe import Recipe

RAW, SUM = "raw", "sum"
TAKEN = (RAW, "matched", "differences")  # names of other folders of a comparison


@dataclass(frozen=True)
class RecipeVariant:
    """A variant that is printed. `name` becomes a folder's name.

    By a recipe, or by several with one track each: the track of the take → its recipe.
    """

    name: str
    recipe: Recipe | Mapping[str, Recipe]


@dataclass(frozen=True)
class FileVariant:
    """A variant that is ready: for some tracks of the take, audio files of the same length."""

    name: str
    files: Mapping[str, Path]


Variant = RecipeVariant | FileVariant


@dataclass(frozen=True)
class Planned:
    """One variant, checked.

    `treated` are the tracks it changes, in the take's order; on all others it is the raw take.
    `recipe` goes by the names that were given, and `inputs` are the files it needs; or `ready`
    maps treated tracks to their files.
    """

    name: str
    about: str
    treated: tuple[str, ...]
    recipe: Recipe | None
    inputs: Mapping[str, Path]
    ready: Mapping[str, Path]


@dataclass(frozen=True)
class Plan:
    """The whole comparison, checked before any work.

    `tracks` are those that some variant treats, in the order given; `keys` the track on whose raw
    strokes each is measured; `rate` in hertz, `frames` of the take.
    """

    variants: tuple[Planned, ...]
    files: Mapping[str, Path]
    tracks: tuple[str, ...]
    keys: Mapping[str, str]
    rate: int
    frames: int

    @property
    def sounds(self) -> tuple[str, ...]:
        """What can be listened to: the tracks, and their sum where there are several."""
        return (*self.tracks, SUM) if len(self.tracks) > 1 else self.tracks

    def named(self, name: str) -> int:
        """Place of a variant among all, raw being 0. Raises `UsageError` for an unknown one."""
        names = [RAW, *(variant.name for variant in self.variants)]
        if name not in names:
            raise UsageError(f"found no variant {name!r}; accepted: {', '.join(names)}")
        return names.index(name)


def plan(variants: Sequence[Variant], files: Mapping[str, Path]) -> Plan:
    """Check variants and tracks (name → file) against each other.

    Raises `UsageError` for names that do not fit and `AudioError` for files that do not belong
    together.
    """
    if not variants:
        raise UsageError("found no variant; accepted: at least one recipe or ready file")
    _check_tracks(files)
    rate, frames, channels = common_clock(files)
    names = unique([variant.name for variant in variants])
    planned = tuple(
        _planned(variant, name, files) for variant, name in zip(variants, names, strict=True)
    )
    for each in planned:
        if each.recipe is not None:
            refuse_channels(each.recipe, channels)
        for track, path in each.ready.items():
            _check_ready(path, track, files[track])
    tracks = tuple(track for track in files if any(track in each.treated for each in planned))
    if len(tracks) > 1 and SUM in tracks:
        raise UsageError(f"found a track named {SUM}; accepted: another name, {SUM} is all of them")
    return Plan(planned, dict(files), tracks, _keys(planned, tracks), rate, frames)


def unique(names: Iterable[str]) -> list[str]:
    """The names, those that were there before (or mean something else) numbered from 2.

    Capitals do not make a difference, as they do not on every disk. Raises `UsageError` on one
    that cannot be a folder's name.
    """
    taken, found = {name.casefold() for name in TAKEN}, []
    for name in names:
        usable = name.strip() and name.isprintable() and not name.startswith(".")
        if not usable or set(name) & set("/\\:"):
            raise UsageError(
                f"found the variant name {name!r}; accepted: a printable name without /, \\ or : "
                "that does not begin with a dot"
            )
        free, number = name, 2
        while free.casefold() in taken:
            free, number = f"{name}-{number}", number + 1
        taken.add(free.casefold())
        found.append(free)
    return found


def _check_tracks(names: Iterable[str]) -> None:
    """They become files' names: raises `UsageError` on those that no recipe could have."""
    from dsp.recipe.tracks import check_track_name

    for name in names:
        try:
            check_track_name(name)
        except ValueError as error:
            raise UsageError(str(error)) from error


def _planned(variant: Variant, name: str, files: Mapping[str, Path]) -> Planned:
    if isinstance(variant, FileVariant):
        _check_known(name, "file", variant.files, files)
        ready = {track: Path(variant.files[track]) for track in files if track in variant.files}
        about = f"ready: {', '.join(path.name for path in ready.values())}"
        return Planned(name, about, tuple(ready), None, {}, ready)
    recipe = _recipe(variant, name, files)
    used = {*recipe.tracks, *helpers(recipe)}
    inputs = {track: path for track, path in files.items() if track in used}
    treated = tuple(track for track in files if track in recipe.tracks)
    return Planned(name, recipe.about, treated, recipe, inputs, {})


def _recipe(variant: RecipeVariant, name: str, files: Mapping[str, Path]) -> Recipe:
    """The recipe of a variant, by the names of the take."""
    given = variant.recipe
    if isinstance(given, Mapping):
        _check_known(name, "recipe", given, files)
    try:
        recipe = _joined(given) if isinstance(given, Mapping) else given
        wanted = _wanted(recipe, files)
        others = [track for track in wanted if track not in helpers(recipe)]
        if len(recipe.tracks) == 1 and len(others) > 1 and not recipe.groups:
            raise UsageError(
                f"found a recipe with one track, {next(iter(recipe.tracks))}, for a take of "
                f"{len(files)}; accepted: NAME:TRACK=RECIPE, as {name}:{others[0]}=RECIPE"
            )
        if both := [group for group in recipe.groups if group in files]:
            raise UsageError(
                f"found a group {both[0]} beside a track {both[0]} of the take; "
                "accepted: another name for one of them"
            )
        return matched(recipe, wanted)
    except UsageError as error:
        raise UsageError(f"variant {name}: {error}") from error


def _joined(recipes: Mapping[str, Recipe]) -> Recipe:
    """One recipe from several with one track each. Raises `UsageError` on others."""
    from pydantic import ValidationError

    parts = []
    for track, recipe in recipes.items():
        if len(recipe.tracks) > 1 or recipe.groups:
            raise UsageError(
                f"found a recipe with {', '.join([*recipe.tracks, *recipe.groups])} for track "
                f"{track}; accepted: a recipe with one track"
            )
        if len(recipes) > 1 and (heard := [one for one in helpers(recipe) if one not in recipes]):
            raise UsageError(
                f"found a recipe that listens to {', '.join(heard)}, beside recipes of other "
                "tracks; accepted: one recipe in which all of them stand"
            )
        parts.append(matched(recipe, [track, *helpers(recipe)]))
    abouts = [f"{track}: {each.about}" for track, each in zip(recipes, parts, strict=True)]
    try:
        return type(parts[0])(
            drumprint=parts[0].drumprint,
            about=parts[0].about if len(parts) == 1 else "; ".join(abouts),
            tracks={track: part.tracks[track] for track, part in zip(recipes, parts, strict=True)},
        )
    except ValidationError as error:
        raise UsageError(str(error.errors()[0]["msg"])) from error


def _check_known(name: str, what: str, given: Iterable[str], files: Mapping[str, Path]) -> None:
    if unknown := [track for track in given if track not in files]:
        raise UsageError(
            f"variant {name}: found a {what} for track {', '.join(unknown)}; "
            f"accepted: tracks of the take: {', '.join(files)}"
        )


def _wanted(recipe: Recipe, files: Mapping[str, Path]) -> tuple[str, ...]:
    """The tracks that a recipe gets: its own of the take; all where it knows none of them."""
    known = {*recipe.tracks, *helpers(recipe)}
    own = tuple(track for track in files if track in known)
    return own if any(track in recipe.tracks for track in own) else tuple(files)


def _check_ready(path: Path, track: str, raw: Path) -> None:
    found, accepted = stated(path), stated(raw)
    if found != accepted:
        raise AudioError(
            f"{path}: found {found.frames} frames at {found.rate} Hz in {found.channels} "
            f"channels; accepted: {accepted.frames} frames at {accepted.rate} Hz in "
            f"{accepted.channels} channels, as the raw track {track}"
        )


def _keys(planned: Sequence[Planned], tracks: Sequence[str]) -> dict[str, str]:
    """By the first recipe that treats a track; where none does, by the first of those found."""
    keys: dict[str, str] = {}
    for each in planned:
        if each.recipe is not None:
            for name, track in each.recipe.tracks.items():
                keys.setdefault(name, track.key or name)
    usual = next((keys[track] for track in tracks if track in keys), tracks[0])
    return {track: keys.get(track, usual) for track in tracks}
