# SPDX-License-Identifier: GPL-3.0-or-later
"""Run a recipe over a take: decide, apply, step by step, on one buffer per track.

Decisions:

- A track is loaded into one float64 buffer and treated in place; a step that asks for a raw track
  gets it loaded once more and drops it when it has decided. So a track in work costs one buffer,
  however many steps there are, and one more while a step looks at a raw track.
- Strokes are found on the raw key track, once, whichever track needs them first. Tracks then do
  not depend on each other, so the number of workers cannot change a result.
- Callers' arrays are never written to: in memory, the buffer is a copy; from a file, it is what
  was read.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeVar

import numpy as np

from dsp.curves import GainCurve, apply_curve
from dsp.errors import UsageError
from dsp.hits import find_hits
from dsp.hits.hitmap import HitMap
from dsp.lanes.data import WavePeaks, wave_peaks
from dsp.matching import every_step, matched, with_decisions
from dsp.measures import Measures, measure
from dsp.steps.base import Decision, Scene
from dsp.take import Samples, Take

if TYPE_CHECKING:
    from dsp.recipe import Recipe

Done = TypeVar("Done")
Progress = Callable[[float, str], None]
"""Called with the share done, 0 to 1, and what is being done; from any worker."""


class Stopped(Exception):  # noqa: N818 (it is no error: another track failed, or the user stopped)
    """Ends the work on a track whose result nobody will take."""


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
    """One treated track.

    `samples` (frames, channels) float64; `decisions` one per step, in order: curve, step with
    each `auto` resolved, notes; `hits` the strokes that the track is keyed by; `before` and
    `after` the measures of the raw and of the treated track; `wave_before` the raw waveform's
    extremes, for the picture.
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
        """Gain curves by `NUMBER step`, in the order of the steps."""
        return {
            f"{number} {decision.step.name}": decision.curve
            for number, decision in enumerate(self.decisions, start=1)
        }


@dataclass(frozen=True, eq=False)
class Print:
    """A printed take: `tracks` by name, and the recipe with each `auto` replaced by its number."""

    rate: int
    tracks: Mapping[str, TrackPrint]
    recipe: Recipe


def print_take(
    take: Take,
    recipe: Recipe,
    *,
    jobs: int = 1,
    progress: Progress | None = None,
    allow_plugins: bool = False,
) -> Print:
    """Run `recipe` over `take` in memory; the arrays of `take` stay as they are.

    `jobs` tracks are worked on at once, 1 or more; results do not depend on it. Plug-in files are
    programs; they run only with `allow_plugins`. Raises `UsageError` where recipe and take name
    different tracks, or a plug-in file is not allowed.
    """
    recipe = matched(recipe, tuple(take.tracks))
    session = Session(_Memory(take), recipe, progress, allow_plugins=allow_plugins)
    tracks = session.run_all(session.run_track, jobs)
    decisions = {name: done.decisions for name, done in tracks.items()}
    return Print(take.rate, tracks, with_decisions(recipe, decisions))


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


class HitMaps:
    """Hit maps of the raw tracks, each found once, by whichever worker needs it first."""

    def __init__(self, source: TakeSource) -> None:
        self._source = source
        self._locks = {track: threading.Lock() for track in source.tracks}
        self._found: dict[str, HitMap] = {}

    def of(self, track: str, raw: Samples | None = None) -> HitMap:
        """The hit map of a track; `raw` spares loading it where the caller holds it."""
        with self._locks[track]:
            if track not in self._found:
                samples = self._source.raw(track) if raw is None else raw
                self._found[track] = find_hits(samples, self._source.rate)
            return self._found[track]


class Session:
    """One run of a recipe over a take; `span` is the part, in samples, that a picture shows."""

    def __init__(
        self,
        source: TakeSource,
        recipe: Recipe,
        progress: Progress | None = None,
        span: tuple[int, int] | None = None,
        *,
        allow_plugins: bool = False,
    ) -> None:
        for step in every_step(recipe):
            step.before(allow_plugins)
        self.allow_plugins = allow_plugins
        self.source = source
        self.recipe = recipe
        self.hits = HitMaps(source)
        self._progress = progress
        self._span = span
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._total = sum(2 + len(track.steps) for track in recipe.tracks.values())
        self._done = 0

    def advance(self, doing: str) -> None:
        """Say what comes next; raises `Stopped` where the whole run has been stopped."""
        if self._stop.is_set():
            raise Stopped
        with self._lock:
            share = min(self._done / self._total, 1.0)
            self._done += 1
            if self._progress is not None:
                self._progress(share, doing)

    def key_of(self, track: str) -> str:
        """The track on which the strokes of `track` are found."""
        return self.recipe.tracks[track].key or track

    def run_track(self, track: str) -> TrackPrint:
        """Treat one track."""
        self.advance(f"{track}: reading")
        buffer = self.source.buffer(track)
        return self.treat(track, buffer)

    def treat(self, track: str, buffer: Samples) -> TrackPrint:
        """Treat the raw `buffer` of a track in place."""
        self.advance(f"{track}: finding strokes")
        if track in self._key_tracks():
            self.hits.of(track, buffer)
        hits = self.hits.of(self.key_of(track))
        wave = wave_peaks(buffer, *(self._span or (0, len(buffer))))
        before = measure(buffer, hits)
        decisions = []
        for step in self.recipe.tracks[track].steps:
            self.advance(f"{track}: {step.name}")
            decision = step.decide(self._scene(track, buffer, hits))
            carry_out(buffer, decision)
            decisions.append(decision)
        after = measure(buffer, hits)
        return TrackPrint(track, buffer, tuple(decisions), hits, before, after, wave)

    def run_all(self, work: Callable[[str], Done], jobs: int) -> dict[str, Done]:
        """`work` on every track, `jobs` at once; key tracks first. In the recipe's order."""
        if jobs < 1:
            raise UsageError(f"jobs: found {jobs}; accepted: 1 or more")
        keys = self._key_tracks()
        order = sorted(self.recipe.tracks, key=lambda track: track not in keys)
        if jobs == 1:
            done = {track: work(track) for track in order}
        else:
            done = self._run_parallel(work, order, jobs)
        return {track: done[track] for track in self.recipe.tracks}

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
                self._stop.set()
                pool.shutdown(wait=False, cancel_futures=True)
                raise
        return done

    def _key_tracks(self) -> set[str]:
        return {self.key_of(track) for track in self.recipe.tracks}

    def _scene(self, track: str, buffer: Samples, hits: HitMap) -> Scene:
        return Scene(
            track=track,
            rate=self.source.rate,
            audio=buffer,
            hits=hits,
            tracks=self.source.tracks,
            raw=self.source.raw,
            hits_of=self.hits.of,
            allow_plugins=self.allow_plugins,
        )


def carry_out(buffer: Samples, decision: Decision) -> None:
    """Do to the audio what a step decided, in place."""
    if decision.treatment is None:
        apply_curve(buffer, decision.curve)
    else:
        decision.treatment.apply(buffer)
    if decision.polarity < 0:
        np.negative(buffer, out=buffer)
    if decision.delay:
        shift(buffer, decision.delay)


def shift(buffer: Samples, delay: int) -> None:
    """Move samples (frames, channels) later by `delay`, earlier where negative, in place.

    What is moved past an end is dropped; silence fills the gap.
    """
    count = min(abs(delay), len(buffer))
    keep = len(buffer) - count
    if delay > 0:
        buffer[count:] = buffer[:keep].copy()
        buffer[:count] = 0.0
    else:
        buffer[:keep] = buffer[count:].copy()
        buffer[keep:] = 0.0
