# SPDX-License-Identifier: GPL-3.0-or-later
"""One run of a recipe over a take: decide, carry out, step by step, on one buffer per track.

Decisions:

- A track is loaded into one float64 buffer and treated in place; a step that asks for a raw track
  gets it loaded once more and drops it when it has decided. So a track in work costs one buffer,
  however many steps there are, and one more while a step looks at a raw track.
- Strokes are found on the raw key track, once, whichever track needs them first. Tracks then do
  not depend on each other, so the number of workers cannot change a result.
- Groups come after all tracks, in turns: a group is summed when all its members are treated.
- What a treatment held is let go of once it is carried out.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Protocol, TypeVar

from dsp.carrying import carry_out, without_audio
from dsp.curves import GainCurve
from dsp.errors import UsageError
from dsp.hits import find_hits
from dsp.hits.given import hits_from
from dsp.hits.hitmap import HitMap
from dsp.hits.hits_file import GivenHits
from dsp.instrument import with_doubts
from dsp.lanes.data import WavePeaks, wave_peaks
from dsp.matching import every_step
from dsp.measures import Measures, measure
from dsp.progress import Going, Progress
from dsp.steps.base import Decision, Scene
from dsp.summing import Stems, key_of, summed, summed_names, waves
from dsp.take import Samples

if TYPE_CHECKING:
    from dsp.recipe import Recipe

Done = TypeVar("Done")
Decided = Callable[[Sequence[Decision]], None]
"""Called with all decisions of a track."""


class TakeSource(Protocol):
    """Where the tracks of a take come from."""

    rate: int
    tracks: tuple[str, ...]

    def raw(self, track: str) -> Samples:
        """The track as it was recorded; not to be written to."""

    def buffer(self, track: str) -> Samples:
        """The same samples in a fresh array that the caller may write to."""


@dataclass(frozen=True, eq=False)
class TrackPrint:
    """One treated track or group.

    `samples` (frames, channels) float64; `decisions` one per step, in order: curve, step with
    each `auto` resolved, notes; `hits` the strokes that the track is keyed by; `before` and
    `after` the measures of the raw track (of a group: the sum) and of the treated one;
    `wave_before` the extremes of the former's waveform, for the picture.
    """

    track: str
    samples: Samples
    decisions: tuple[Decision, ...]
    hits: HitMap
    before: Measures
    after: Measures
    wave_before: WavePeaks

    @property
    def curves(self) -> dict[str, GainCurve]:
        """Gain curves by `NUMBER step`, inside it by `NUMBER step/NUMBER step`, in order."""
        return curves_of(self.decisions)


def numbered(decisions: Sequence[Decision], before: str = "") -> list[tuple[str, Decision]]:
    """Decisions by `NUMBER step`, each followed by those inside it."""
    named = []
    for number, decision in enumerate(decisions, start=1):
        name = f"{before}{number} {decision.step.name}"
        named += [(name, decision), *numbered(decision.inner, f"{name}/")]
    return named


def curves_of(decisions: Sequence[Decision]) -> dict[str, GainCurve]:
    """Gain curves by the names that `numbered` gives, in order."""
    return {name: decision.curve for name, decision in numbered(decisions)}


class HitMaps:
    """Hit maps of the raw tracks, each found once, by whichever worker needs it first.

    `given` are tracks whose strokes need not be found.
    """

    def __init__(self, source: TakeSource, given: Mapping[str, GivenHits] | None = None) -> None:
        self._given = given or {}
        self._source = source
        self._locks = {track: threading.Lock() for track in source.tracks}
        self._found: dict[str, HitMap] = {}

    def of(self, track: str, raw: Samples | None = None) -> HitMap:
        """The hit map of a track; `raw` spares loading it where the caller holds it."""
        with self._locks[track]:
            if track not in self._found:
                samples = self._source.raw(track) if raw is None else raw
                rate, given = self._source.rate, self._given.get(track)
                hits = (
                    find_hits(samples, rate) if given is None else hits_from(samples, rate, given)
                )
                self._found[track] = with_doubts(hits, samples)
            return self._found[track]


class Session:
    """One run of a recipe over a take; `span` is the part, in samples, that a picture shows.

    `hits` are those of earlier runs over the same take, so that none is found twice.
    """

    def __init__(
        self,
        source: TakeSource,
        recipe: Recipe,
        stems: Stems,
        progress: Progress | None = None,
        span: tuple[int, int] | None = None,
        *,
        hits: HitMaps | None = None,
        allow_plugins: bool = False,
    ) -> None:
        for step in every_step(recipe):
            step.before(allow_plugins)
        self.allow_plugins = allow_plugins
        self.source = source
        self.recipe = recipe
        self.hits = HitMaps(source) if hits is None else hits
        self._stems = stems
        self._wanted = summed_names(recipe)
        self._keys = {key_of(recipe, name) for name in (*recipe.tracks, *recipe.groups)}
        self._span = span
        self._going = Going(sum(2 + len(part.steps) for part in recipe.parts), progress)

    def advance(self, doing: str) -> None:
        """Say what comes next; raises `Stopped` where the whole run has been stopped."""
        self._going.advance(doing)

    def key_of(self, name: str) -> str:
        """The track on which the strokes of a track or group are found."""
        return key_of(self.recipe, name)

    def run(self, name: str) -> TrackPrint:
        """Treat one track, or a group whose members have been treated."""
        if name in self.recipe.groups:
            return self.treat(name, self.sum_of(name))
        self.advance(f"{name}: reading")
        return self.treat(name, self.source.buffer(name))

    def sum_of(self, group: str) -> Samples:
        """The sum of a group's treated members, in a fresh array."""
        self.advance(f"{group}: summing")
        return summed(self._stems, self.recipe.groups[group].of)

    def treat(self, name: str, buffer: Samples, decided: Decided | None = None) -> TrackPrint:
        """Treat the raw `buffer` of a track, or the sum of a group, in place.

        `decided` is called with all decisions as soon as they are made, before the last of them is
        carried out.
        """
        self.advance(f"{name}: finding strokes")
        steps = self.recipe.part(name).steps
        # A thread beside this one does what strokes are not needed for, or what nothing waits for.
        with ThreadPoolExecutor(1) as aside:
            listening = [aside.submit(step.listen, buffer, self.source.rate) for step in steps[:1]]
            if name in self._keys:
                self.hits.of(name, buffer)
            hits = self.hits.of(self.key_of(name))
            measuring = aside.submit(self._as_it_came, buffer, hits)
            scene = self._scene(name, buffer, hits)
            decisions = []
            for step in steps:
                doing = f"{name}: {step.name}"
                self.advance(doing)
                listened = listening.pop().result() if listening else None
                told = partial(self._going.within, doing)
                decision = step.decide(replace(scene, listened=listened, told=told))
                decisions.append(without_audio(decision))
                if decided is not None and len(decisions) == len(steps):
                    decided(decisions)
                measuring.result()  # before anything is done to the audio
                carry_out(buffer, decision)
            if decided is not None and not steps:
                decided(decisions)
            before, wave = measuring.result()
        after = measure(buffer, hits)
        if name in self._wanted:
            self._stems.keep(name, buffer)
        return TrackPrint(name, buffer, tuple(decisions), hits, before, after, wave)

    def _as_it_came(self, buffer: Samples, hits: HitMap) -> tuple[Measures, WavePeaks]:
        return measure(buffer, hits), wave_peaks(buffer, *(self._span or (0, len(buffer))))

    def run_all(self, work: Callable[[str], Done], jobs: int) -> dict[str, Done]:
        """`work` on every track, key tracks first, then on every group, `jobs` at once.

        Results are in the recipe's order, tracks before groups.
        """
        if jobs < 1:
            raise UsageError(f"jobs: found {jobs}; accepted: 1 or more")
        if any(step.main_thread for step in every_step(self.recipe)):
            jobs = 1
        tracks = sorted(self.recipe.tracks, key=lambda track: track not in self._keys)
        done: dict[str, Done] = {}
        for turn in (tracks, *waves(self.recipe)):
            if jobs == 1:
                done |= {name: work(name) for name in turn}
            else:
                done |= self._run_parallel(work, turn, jobs)
        return {name: done[name] for name in (*self.recipe.tracks, *self.recipe.groups)}

    def _run_parallel(
        self, work: Callable[[str], Done], order: list[str], jobs: int
    ) -> dict[str, Done]:
        done: dict[str, Done] = {}
        with ThreadPoolExecutor(jobs) as pool:
            futures = {pool.submit(work, track): track for track in order}
            try:
                for future in as_completed(futures):
                    done[futures[future]] = future.result()
            except BaseException:
                # Also on Ctrl-C: the others stop at their next step, then the pool can close.
                self._going.stop()
                pool.shutdown(wait=False, cancel_futures=True)
                raise
        return done

    def _scene(self, name: str, buffer: Samples, hits: HitMap) -> Scene:
        def hits_of(track: str) -> HitMap:
            """Of a group there is no raw track: its own strokes are those in what there is."""
            group = track in self.recipe.groups
            return find_hits(buffer, self.source.rate) if group else self.hits.of(track)

        return Scene(
            track=name,
            rate=self.source.rate,
            audio=buffer,
            hits=hits,
            tracks=self.source.tracks,
            raw=self.source.raw,
            hits_of=hits_of,
            allow_plugins=self.allow_plugins,
        )
