# SPDX-License-Identifier: GPL-3.0-or-later
"""The prints of a comparison: made by each recipe as `render` makes them, or ready in files.

Decisions:

- What is compared afterwards is what was written: prints are read back from their files.
- The raw take is printed too, by a recipe without steps; it is heard and measured from its input
  files.
- Strokes are found once on each raw key track, for all variants.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from dsp.audio import OutputSet, TrackFile, read_track
from dsp.compare.variants import RAW, Plan
from dsp.hits.hitmap import HitMap
from dsp.lanes.data import Lane
from dsp.matching import every_step
from dsp.outputs import Writer
from dsp.progress import Progress
from dsp.rendering import print_all, print_names
from dsp.session import HitMaps, Session
from dsp.sources import FileSource
from dsp.summing import filed_stems
from dsp.worker import AUDIO, Worker, lanes_of

if TYPE_CHECKING:
    from dsp.recipe import Recipe


class Prints:
    """All variants of a plan, in files; 0 is the raw take.

    `names` of the variants, raw first; `lanes` by variant, then track or group; `notes` by
    variant, what people should know of its print.
    """

    def __init__(self, plan: Plan, outputs: OutputSet, folder: Path) -> None:
        self.plan = plan
        self.names = (RAW, *(each.name for each in plan.variants))
        self.lanes: list[Mapping[str, tuple[Lane, ...]]] = [{} for _ in self.names]
        self.notes: list[tuple[str, ...]] = [() for _ in self.names]
        self._outputs = outputs
        self._folder = folder
        self._source = FileSource(plan.files, plan.rate, plan.frames)
        self._hits = HitMaps(self._source)
        self._paths = {
            (number, track): path
            for number, each in enumerate(plan.variants, start=1)
            for track, path in each.ready.items()
        }

    def make(self, jobs: int, allow_plugins: bool, progress: Progress) -> dict[str, int]:
        """Print every recipe, `jobs` tracks at once; returns sizes by name within the folder."""
        recipes = {0: untreated(self.plan)} | {
            number: each.recipe
            for number, each in enumerate(self.plan.variants, start=1)
            if each.recipe is not None
        }
        for recipe in recipes.values():  # all before any work
            for step in every_step(recipe):
                step.before(allow_plugins)
        sizes: dict[str, int] = {}
        for done, (number, recipe) in enumerate(recipes.items()):
            told = Part(progress, done / len(recipes), 1 / len(recipes), self.names[number])
            folder = self._folder / self.names[number]
            with filed_stems(folder) as stems:
                session = Session(
                    self._source_of(number),
                    recipe,
                    stems,
                    told,
                    (0, self.plan.frames),
                    hits=self._hits,
                    allow_plugins=allow_plugins,
                )
                sizes |= self._print(number, session, folder, jobs)
        return sizes

    def _source_of(self, number: int) -> FileSource:
        """The raw tracks that a variant's recipe gets."""
        plan = self.plan
        if number == 0:
            return self._source
        return FileSource(plan.variants[number - 1].inputs, plan.rate, plan.frames)

    def _print(self, number: int, session: Session, folder: Path, jobs: int) -> dict[str, int]:
        name, writer = self.names[number], Writer(self._outputs, folder)
        worker = Worker(session, self._source_of(number), writer, (0, self.plan.frames))
        report, outcomes = print_all(worker, folder, jobs)
        sizes = {f"{name}/{file}": size for file, size in report.files.items()}
        if number == 0:
            return sizes
        groups = [name for name in outcomes if name in session.recipe.groups]
        shown = (*self.plan.variants[number - 1].treated, *groups)
        self.lanes[number] = {name: lanes_of(outcomes[name].treated) for name in shown}
        several = len(report.tracks) > 1
        self.notes[number] = tuple(
            f"{track.track}: {note}" if several else note
            for track in report.tracks
            for note in track.notes
        )
        for track in outcomes:
            self._paths[number, track] = self._outputs.staged(folder / (track + AUDIO))
        return sizes

    def raw(self, track: str) -> TrackFile:
        """A raw track, read anew."""
        return self._source.read(track)

    def summed(self, number: int) -> tuple[str, ...]:
        """What makes up the sum of a variant: its tracks, but for those in a group its groups."""
        variant = self.plan.variants[number - 1] if number > 0 else None
        groups = variant.recipe.groups if variant and variant.recipe else {}
        inside = {member for group in groups.values() for member in group.of}
        return tuple(name for name in (*self.plan.tracks, *groups) if name not in inside)

    def treated(self, number: int, track: str) -> bool:
        """Whether a variant has a print of this track; where not, it is the raw one."""
        return (number, track) in self._paths

    def read(self, number: int, track: str) -> TrackFile:
        """A track of a variant, read anew."""
        path = self._paths.get((number, track))
        return self.raw(track) if path is None else read_track(path)

    def hits_of(self, track: str) -> HitMap:
        """The strokes at which a track is measured."""
        return self._hits.of(self.plan.keys[track])


class Part:
    """A part of a longer progress: from `start`, over `share` of it, under a name."""

    def __init__(self, whole: Progress, start: float, share: float, name: str = "") -> None:
        self._whole, self._start, self._share = whole, start, share
        self._name = f"{name}: " if name else ""

    def __call__(self, share: float, doing: str) -> None:
        """Tell the whole what this part does."""
        self._whole(self._start + self._share * share, self._name + doing)


def untreated(plan: Plan) -> Recipe:
    """The recipe that prints the raw take: its tracks, by the strokes they go by, without steps."""
    from dsp.recipe import Recipe, TrackRecipe

    keys = {track for track in plan.tracks if plan.keys[track] == track}
    own = {track: plan.keys[track] for track in plan.tracks if track not in keys}
    tracks = {
        track: TrackRecipe(key=own[track] if own.get(track) in keys else None, steps=())
        for track in plan.tracks
    }
    return Recipe(drumprint=1, about="The raw take", tracks=tracks)


def target_names(plan: Plan) -> list[str]:
    """Names of all files of the prints, within the folder of the comparison."""
    recipes = [(RAW, untreated(plan))]
    recipes += [(each.name, each.recipe) for each in plan.variants if each.recipe is not None]
    return [f"{name}/{file}" for name, recipe in recipes for file in print_names(recipe)]
