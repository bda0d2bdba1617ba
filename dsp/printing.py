# SPDX-License-Identifier: GPL-3.0-or-later
"""Print a take in memory: arrays in, arrays out.

Callers' arrays are never written to: each track is treated in a copy of its own. How a recipe is
run is in `dsp.session`, how it is rendered from files to files in `dsp.rendering`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dsp.matching import matched, with_decisions
from dsp.progress import Progress
from dsp.session import HitMaps, Session, TrackPrint
from dsp.summing import HeldStems, refuse_channels
from dsp.take import Samples, Take

if TYPE_CHECKING:
    from dsp.hits.hits_file import GivenHits
    from dsp.recipe import Recipe

__all__ = ["Print", "Progress", "TrackPrint", "print_take"]


@dataclass(frozen=True, eq=False)
class Print:
    """A printed take.

    `tracks` and `groups` by name, and the recipe with each `auto` replaced by its number.
    """

    rate: int
    tracks: Mapping[str, TrackPrint]
    groups: Mapping[str, TrackPrint]
    recipe: Recipe


def print_take(
    take: Take,
    recipe: Recipe,
    *,
    jobs: int = 1,
    progress: Progress | None = None,
    allow_plugins: bool = False,
    hits: Mapping[str, GivenHits] | None = None,
) -> Print:
    """Run `recipe` over `take` in memory; the arrays of `take` stay as they are.

    `jobs` tracks are worked on at once, 1 or more; results do not depend on it. Plug-in files are
    programs; they run only with `allow_plugins`. `hits` (by track) gives strokes, as
    `dsp.read_hits` reads them, instead of having them found. Raises `UsageError` where recipe and
    take name different tracks, or a plug-in file is not allowed, and `AudioError` where a group's
    members have channels that cannot be summed.
    """
    recipe = matched(recipe, tuple(take.tracks))
    refuse_channels(recipe, {name: x.shape[1] for name, x in take.tracks.items()})
    source = _Memory(take)
    maps = HitMaps(source, hits)
    session = Session(source, recipe, HeldStems(), progress, hits=maps, allow_plugins=allow_plugins)
    done = session.run_all(session.run, jobs)
    decisions = {name: part.decisions for name, part in done.items()}
    return Print(
        take.rate,
        {name: done[name] for name in recipe.tracks},
        {name: done[name] for name in recipe.groups},
        with_decisions(recipe, decisions),
    )


class _Memory:
    """The tracks of a take that is in memory."""

    def __init__(self, take: Take) -> None:
        self.rate = take.rate
        self.tracks = tuple(take.tracks)
        self._take = take

    def raw(self, track: str) -> Samples:
        return self._take.tracks[track]

    def buffer(self, track: str) -> Samples:
        return self._take.tracks[track].copy()
