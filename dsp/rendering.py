# SPDX-License-Identifier: GPL-3.0-or-later
"""Render: run a recipe over audio files and write the print.

Decisions:

- Everything that can be refused without reading audio is refused first: track names, rates and
  lengths, output names and folder. All outputs appear together at the end, or none.
- A file is decoded into the buffer that is then treated in place and written, so a track costs one
  float64 array of its length.
- Nothing that is written depends on the clock, the machine's paths or the number of workers: two
  renders of the same files by the same recipe give the same bytes.
- Libraries that are needed later load in the background while the audio is read: most of a short
  command's time would otherwise be spent waiting for them.
"""

from __future__ import annotations

import importlib
import threading
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dsp.audio import OutputSet
from dsp.audio.writing import write_wav
from dsp.curves import save_curves
from dsp.errors import UsageError
from dsp.lanes import Lane, LanesData, draw_lanes, wave_peaks
from dsp.matching import matched, with_decisions
from dsp.outputs import Writer
from dsp.printing import Progress, Session, TrackPrint
from dsp.sheet import TrackOutcome, print_sheet, sheet_bytes, track_notes
from dsp.sources import FileSource, common_clock
from dsp.summary import FileWritten, TrackSummary, summarise

if TYPE_CHECKING:
    from dsp.recipe import Recipe

SHEET, RESOLVED = "print.json", "resolved.yaml"
AUDIO, PICTURE, CURVES = ".wav", ".lanes.png", ".curves.npz"
NEEDED_LATER = (
    "numba.np.arraymath",  # by the first cached kernel that loads
    "matplotlib.backends.backend_agg",
    "matplotlib.figure",
    "matplotlib.font_manager",
    "PIL.Image",
)


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
) -> PrintReport:
    """Run `recipe` over `files` (track → audio file) and write the print into `out_dir`.

    Writes NAME.wav, NAME.lanes.png and NAME.curves.npz for each track, print.json and
    resolved.yaml. The picture shows `from_s` to `to_s`, seconds from the start; by default all.
    `jobs` tracks are worked on at once. Plug-in files run only with `allow_plugins`.

    Raises `UsageError` for track names that the recipe does not know and a range outside the
    take, `AudioError` for an unusable file or tracks that do not belong together, `OutputError`
    for outputs that exist (unless `overwrite`) or cannot be written. Then nothing is written.
    """
    files = {track: Path(path) for track, path in files.items()}
    recipe = matched(recipe, tuple(files))
    rate, frames = common_clock(files)
    span = picture_span(from_s, to_s, rate, frames)
    folder = Path(out_dir)
    names = [track + ending for track in recipe.tracks for ending in (AUDIO, PICTURE, CURVES)]
    targets = [folder / name for name in (*names, RESOLVED, SHEET)]
    with OutputSet(targets, inputs=files.values(), overwrite=overwrite) as outputs:
        source = FileSource(files, rate, frames)
        session = Session(source, recipe, progress, span, allow_plugins=allow_plugins)
        writer = Writer(outputs, folder)
        outcomes = session.run_all(Worker(session, source, writer, span).run, jobs)
        decisions = {track: outcome.treated.decisions for track, outcome in outcomes.items()}
        resolved = with_decisions(recipe, decisions)
        writer.write(RESOLVED, dumped(resolved))
        sheet = print_sheet(resolved, outcomes, writer.sha256)
        writer.write(SHEET, sheet_bytes(sheet))
    sizes = writer.sizes
    summaries = tuple(summary(outcome, sizes) for outcome in outcomes.values())
    return PrintReport(folder, sizes, sheet, summaries)


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


def import_in_background(modules: tuple[str, ...]) -> None:
    """Start loading what will be needed later."""

    def load() -> None:
        for module in modules:
            importlib.import_module(module)

    threading.Thread(target=load, daemon=True).start()


@dataclass(frozen=True)
class Worker:
    """Carries one track from its file to its outputs."""

    session: Session
    source: FileSource
    writer: Writer
    span: tuple[int, int]

    def run(self, track: str) -> TrackOutcome:
        """Read, measure, treat, measure, write, draw; keep all but the audio."""
        self.session.advance(f"{track}: reading")
        file = self.source.read(track)
        # Not before: decoding calls back into Python so often that the two would wait in turns.
        import_in_background(NEEDED_LATER)
        buffer = file.samples
        treated = self.session.treat(track, buffer)
        self.session.advance(f"{track}: writing")
        # Packing the curves takes as long as the audio and the picture together.
        with ThreadPoolExecutor(1) as aside:
            packed = aside.submit(self._write_curves, treated)
            with self.writer.open(track + AUDIO) as out:
                written = write_wav(
                    out, buffer, file.rate, file.format, file.chunks, name=track + AUDIO
                )
            self._draw(treated)
            packed.result()
        return TrackOutcome(
            file=replace(file, samples=np.empty((0, buffer.shape[1]))),
            key=self.session.key_of(track),
            treated=replace(treated, samples=np.empty((0, buffer.shape[1]))),
            channels=buffer.shape[1],
            frames=len(buffer),
            written=written,
            output=track + AUDIO,
        )

    def _write_curves(self, treated: TrackPrint) -> None:
        name = treated.track + CURVES
        self.writer.write_by_path(name, lambda path: save_curves(path, treated.curves))

    def _draw(self, treated: TrackPrint) -> None:
        rate, frames = self.source.rate, len(treated.samples)
        lanes = LanesData(
            track=treated.track,
            about=self.session.recipe.about,
            rate=rate,
            frames=frames,
            before=treated.wave_before,
            after=wave_peaks(treated.samples, *self.span),
            hits=treated.hits,
            lanes=tuple(
                Lane(decision.step.name, summarise(decision.step), decision.curve)
                for decision in treated.decisions
            ),
            start_s=self.span[0] / rate,
            stop_s=self.span[1] / rate,
            key=self.session.key_of(treated.track),
            bleed_dbfs=treated.before.bleed_peak_dbfs,
        )
        name = treated.track + PICTURE
        self.writer.write_by_path(name, lambda path: draw_lanes(path, lanes))
