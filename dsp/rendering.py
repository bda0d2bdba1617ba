# SPDX-License-Identifier: GPL-3.0-or-later
"""Render: run a recipe over audio files and write the print.

Decisions:

- Everything that can be refused without reading audio is refused first: track names, rates and
  lengths, output names and folder. All outputs appear together at the end, or none.
- A file is decoded into the buffer that is then treated in place and written, so a track costs one
  float64 array of its length.
- Nothing that is written depends on the clock, the machine's paths or the number of workers: two
  renders of the same files by the same recipe give the same bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dsp.audio import OutputSet, TrackAhead
from dsp.errors import UsageError
from dsp.hits.hits_file import GivenHits, read_hits
from dsp.matching import matched, with_decisions
from dsp.outputs import Writer
from dsp.progress import Progress
from dsp.session import HitMaps, Session
from dsp.sheet import TrackOutcome, print_sheet, sheet_bytes, track_notes
from dsp.sources import FileSource, common_clock
from dsp.summary import FileWritten, TrackSummary
from dsp.summing import filed_stems, refuse_channels
from dsp.worker import AUDIO, CURVES, PICTURE, Worker

if TYPE_CHECKING:
    from dsp.recipe import Recipe

__all__ = ["AUDIO", "RESOLVED", "SHEET", "PrintReport", "render"]

SHEET, RESOLVED = "print.json", "resolved.yaml"


@dataclass(frozen=True)
class PrintReport:
    """What a render wrote.

    `folder`, the file names in it with their sizes in bytes, the print sheet's content, and for
    each track its measures before and after, with notes.
    """

    folder: Path
    files: Mapping[str, int]
    sheet: Mapping[str, Any]
    tracks: tuple[TrackSummary, ...]


def render(
    recipe: Recipe,
    files: Mapping[str, Path],
    out_dir: Path,
    *,
    overwrite: bool = False,
    jobs: int = 1,
    from_s: float | None = None,
    to_s: float | None = None,
    progress: Progress | None = None,
    allow_plugins: bool = False,
    hits: Mapping[str, Path] | None = None,
    ahead: Mapping[str, TrackAhead] | None = None,
) -> PrintReport:
    """Run `recipe` over `files` (track → audio file) and write the print into `out_dir`.

    Writes NAME.wav, NAME.lanes.png and NAME.curves.npz for each track and group, print.json and
    resolved.yaml. The picture shows `from_s` to `to_s`, seconds from the start; by default all.
    `jobs` tracks are worked on at once. Plug-in files run only with `allow_plugins`. `hits` (track
    → hits file) gives strokes instead of having them found. `ahead` are tracks that are already
    being read.

    Raises `UsageError` for track names that the recipe does not know and a range outside the
    take, `AudioError` for an unusable file, tracks that do not belong together or channels that a
    group cannot sum, `OutputError`
    for outputs that exist (unless `overwrite`) or cannot be written. Then nothing is written.
    """
    files = {track: Path(path) for track, path in files.items()}
    recipe = matched(recipe, tuple(files))
    rate, frames, channels = common_clock(files)
    refuse_channels(recipe, channels)
    span = picture_span(from_s, to_s, rate, frames)
    folder = Path(out_dir)
    targets = [folder / name for name in print_names(recipe)]
    given = read_given(hits or {}, tuple(files), rate, frames)
    inputs = [*files.values(), *(hits or {}).values()]
    with (
        OutputSet(targets, inputs=inputs, overwrite=overwrite) as outputs,
        filed_stems(folder) as stems,
    ):
        source = FileSource(files, rate, frames, ahead)
        maps = HitMaps(source, given)
        session = Session(
            source, recipe, stems, progress, span, hits=maps, allow_plugins=allow_plugins
        )
        worker = Worker(session, source, Writer(outputs, folder), span)
        report, _ = print_all(worker, folder, jobs)
    return report


def read_given(
    hits: Mapping[str, Path], tracks: tuple[str, ...], rate: int, frames: int
) -> dict[str, GivenHits]:
    """Read the hits files of some of `tracks`. Raises `UsageError`, or `ListError` with faults."""
    for track in hits:
        if track not in tracks:
            raise UsageError(f"hits of {track}: no such track; accepted: {', '.join(tracks)}")
    return {track: read_hits(path, rate, frames) for track, path in hits.items()}


def print_names(recipe: Recipe) -> list[str]:
    """Names of the files that a print holds."""
    printed = (*recipe.tracks, *recipe.groups)
    names = [name + ending for name in printed for ending in (AUDIO, PICTURE, CURVES)]
    return [*names, RESOLVED, SHEET]


def print_all(
    worker: Worker, folder: Path, jobs: int
) -> tuple[PrintReport, dict[str, TrackOutcome]]:
    """Write the whole print of the worker's session; also what is kept of each track and group.

    `folder` is where the worker's writer writes; `jobs` tracks are worked on at once.
    """
    session, writer = worker.session, worker.writer
    outcomes = session.run_all(worker.run, jobs)
    decisions = {track: outcome.treated.decisions for track, outcome in outcomes.items()}
    resolved = with_decisions(session.recipe, decisions)
    writer.write(RESOLVED, dumped(resolved))
    sheet = print_sheet(resolved, outcomes, writer.sha256)
    writer.write(SHEET, sheet_bytes(sheet))
    sizes = writer.sizes
    summaries = tuple(summary(outcome, sizes) for outcome in outcomes.values())
    return PrintReport(folder, sizes, sheet, summaries), outcomes


def summary(outcome: TrackOutcome, sizes: Mapping[str, int]) -> TrackSummary:
    """What people are told of one track."""
    treated = outcome.treated
    names = [treated.track + ending for ending in (AUDIO, PICTURE, CURVES)]
    said = [
        f"{d.step.name}: {note.removeprefix(f'{d.step.name}: ')}"
        for d in treated.decisions
        for note in d.notes
    ]
    return TrackSummary(
        track=treated.track,
        before=treated.before,
        after=treated.after,
        files=tuple(FileWritten(name, sizes[name]) for name in names),
        notes=(*track_notes(outcome), *said),
    )


def dumped(recipe: Recipe) -> bytes:
    """The recipe as its YAML file."""
    from dsp.recipe import dump_recipe

    return dump_recipe(recipe).encode()


def picture_span(
    from_s: float | None, to_s: float | None, rate: int, frames: int
) -> tuple[int, int]:
    """Samples, start and stop, that the picture shows. Raises `UsageError` outside the take."""
    start = 0 if from_s is None else round(from_s * rate)
    stop = frames if to_s is None else min(round(to_s * rate), frames)
    if not 0 <= start < stop:
        raise UsageError(
            f"picture from {start / rate:g} s to {stop / rate:g} s; "
            f"accepted: a start before the end, within 0 to {frames / rate:.3f} s"
        )
    return start, stop
