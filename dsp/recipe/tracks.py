# SPDX-License-Identifier: GPL-3.0-or-later
"""What the tracks of a recipe must be to each other: names that can be files, keys that exist."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dsp.recipe.grouped import Found, GroupView, member_faults
from dsp.recipe.scalars import nearest, shown
from dsp.recipe.tree import Place

if TYPE_CHECKING:
    from dsp.steps.base import Step

LONGEST_NAME = 64  # bytes of UTF-8
KEY_WORDS = ("hits", "own")  # what a step's `key` means by itself
# Names of devices, which Windows refuses for files whatever their ending (common knowledge)
DEVICES = frozenset(
    ["con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))]
)
ACCEPTED_NAME = f"letters, digits, '-', '_' and inner spaces, up to {LONGEST_NAME} bytes"


def check_track_name(name: str) -> str:
    """Return `name` if every system can use it as a file's name; raises ValueError."""
    fits = all(c.isalnum() or c in "-_ " for c in name) and name.strip() == name != ""
    if not fits or len(name.encode()) > LONGEST_NAME:
        raise ValueError(f"found the track name {shown(name)}; accepted: {ACCEPTED_NAME}")
    if name.lower() in DEVICES:
        raise ValueError(
            f"found the track name {shown(name)}, which some systems keep for a device; "
            f"accepted: another name"
        )
    if name in KEY_WORDS:
        raise ValueError(
            f"found the track name {shown(name)}, which means something else as a key; "
            "accepted: another name"
        )
    return name


@dataclass(frozen=True)
class TrackView:
    """As much of a track as could be read: its key, and what its steps listen to.

    `sources` holds track names as steps give them, each with its place within the track; `aligned`
    in the same way those that the track is moved to by what is measured.
    """

    key: str | None
    sources: tuple[Found, ...]
    aligned: tuple[Found, ...] = ()


def sources_of(position: int, step: Step) -> Iterator[tuple[Place, str]]:
    """Yield the tracks that a step listens to, each with its place within the track."""
    for source in step.sources():
        yield ("steps", position, step.name, *_place_of(source, step.model_dump())), source


def aligned_by(position: int, step: Step) -> Iterator[tuple[Place, str]]:
    """Yield the track that a step aligns its own with, with its place within the track."""
    if (other := step.aligns_with()) is not None:
        yield ("steps", position, step.name, *_place_of(other, step.model_dump())), other


def cross_faults(
    tracks: Mapping[str, TrackView], groups: Mapping[str, GroupView]
) -> Iterator[Found]:
    """Yield the place and the message of each fault between tracks and groups."""
    yield from _alike(list(tracks), list(groups))
    for name, track in tracks.items():
        if track.key is not None and (message := _wrong_key(name, track.key, tracks, groups)):
            yield ("tracks", name, "key"), message
        for place, source in track.sources:
            if message := _wrong_source(name, source, list(tracks), list(groups)):
                yield ("tracks", name, *place), message
        for place, other in track.aligned:
            if other != name and (message := _moving(other, tracks)):
                yield ("tracks", name, *place), message
    for name, group in groups.items():
        if group.key is not None and (message := _wrong_key(name, group.key, tracks, groups)):
            yield ("groups", name, "key"), message
        for place, source in group.sources:
            if message := _wrong_group_source(source, list(tracks), list(groups)):
                yield ("groups", name, *place), message
    yield from member_faults(groups, list(tracks))


def _alike(tracks: list[str], groups: list[str]) -> Iterator[Found]:
    """Two names that differ only in case are one file on some systems."""
    seen: dict[str, str] = {}
    for name in tracks:
        other = seen.setdefault(name.casefold(), name)
        if other != name:
            yield (
                ("tracks", name),
                f"found the track names {shown(other)} and {shown(name)}; "
                "accepted: names that differ in more than capitals",
            )
    for name in groups:
        if name.casefold() in seen:
            other = seen[name.casefold()]
            yield (
                ("groups", name),
                f"found the group {shown(name)} beside {shown(other)}; accepted: a name of its "
                "own, in more than capitals",
            )
        seen.setdefault(name.casefold(), name)


def _wrong_key(
    name: str, key: str, tracks: Mapping[str, TrackView], groups: Mapping[str, GroupView]
) -> str | None:
    others = [other for other in tracks if other != name]
    unkeyed = [other for other in others if tracks[other].key is None]
    accepted = f"accepted: {', '.join(unkeyed)}" if unkeyed else "accepted: no key"
    if key in groups and key not in tracks:
        return f"found the group {shown(key)}; {accepted}"
    if key == name:
        return f"found {shown(key)}, the track itself; {accepted}"
    if key not in tracks:
        if not others:
            return f"found {shown(key)}, but there is no other track; accepted: no key"
        return f"found the track {shown(key)}; {nearest(key, others)}"
    chain = {name: None, key: None}  # a set that keeps its order
    onward = tracks[key].key
    while onward is not None and onward in tracks and onward not in chain:
        chain[onward] = None
        onward = tracks[onward].key
    if onward == name:
        if next(other for other in tracks if other in chain) != name:
            return None  # the circle is told once, at its first track
        return f"found a circle of keys, {' → '.join([*chain, name])}; {accepted}"
    if tracks[key].key is not None:
        return f"found {shown(key)}, which has a key itself ({tracks[key].key}); {accepted}"
    return None


def _wrong_source(name: str, source: str, names: list[str], groups: list[str]) -> str | None:
    """A step may need any other track of the recipe.

    With one track the recipe is used under any name, so its tracks are known only at the render.
    """
    others = [other for other in names if other != name]
    if source in groups and source not in names:
        return f"found the group {shown(source)}; accepted: {', '.join([*KEY_WORDS, *others])}"
    if source == name:
        return f"found {shown(source)}, the track itself; accepted: own, hits or another track"
    if not others or source in others:
        return None
    return f"found the track {shown(source)}; {nearest(source, [*KEY_WORDS, *others])}"


def _moving(other: str, tracks: Mapping[str, TrackView]) -> str | None:
    """A microphone that is aligned with a third one is no place to align with."""
    if other not in tracks or not tracks[other].aligned:
        return None
    against = tracks[other].aligned[0][1]
    return (
        f"found {shown(other)}, which is itself moved by auto (against {against}); "
        "accepted: a microphone that stays where it is"
    )


def _wrong_group_source(source: str, names: list[str], groups: list[str]) -> str | None:
    """A step of a group may need any track of the recipe."""
    if source in names:
        return None
    if source in groups:
        return f"found the group {shown(source)}; accepted: {', '.join([*KEY_WORDS, *names])}"
    return f"found the track {shown(source)}; {nearest(source, [*KEY_WORDS, *names])}"


def _place_of(word: str, value: Any) -> Place:
    """Find where in a step's settings `word` stands; empty where it does not."""
    parts: list[tuple[str | int, Any]] = []
    if isinstance(value, dict):
        parts = list(value.items())
    elif isinstance(value, list | tuple):
        parts = list(enumerate(value))
    for part, inner in parts:
        if inner == word:
            return (part,)
    for part, inner in parts:
        if found := _place_of(word, inner):
            return (part, *found)
    return ()
