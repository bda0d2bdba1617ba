# SPDX-License-Identifier: GPL-3.0-or-later
"""Carry one track, or one group, to its outputs: treat, write, draw; keep all but the audio.

Libraries that are needed later load in the background while strokes are found: most of a short
command's time would otherwise be spent waiting for them. Loading a first kernel takes a while of
Python; all wait for it, so it comes before the libraries.
"""

from __future__ import annotations

import importlib
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from dsp.audio import TrackFile
from dsp.audio.writing import WriteReport, write_wav
from dsp.curves import save_curves
from dsp.kernels.zero_phase import forward_backward
from dsp.lanes import Lane, LanesData, draw_lanes, wave_peaks
from dsp.outputs import Writer
from dsp.session import Session, TrackPrint, numbered
from dsp.sheet import TrackOutcome
from dsp.sources import FileSource
from dsp.summary import summarise
from dsp.summing import first_track

AUDIO, PICTURE, CURVES = ".wav", ".lanes.png", ".curves.npz"
NEEDED_LATER = (
    "matplotlib.backends.backend_agg",
    "matplotlib.figure",
    "matplotlib.font_manager",
    "PIL.Image",
)


def import_in_background(modules: tuple[str, ...]) -> None:
    """Start loading what will be needed later, after what the first kernels wait for."""

    def load() -> None:
        one = np.zeros((3, 1))
        forward_backward(np.zeros(1), one, one[:2], np.empty((1, 1)))
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
    _files: dict[str, TrackFile] = field(default_factory=dict)  # without their samples

    def run(self, name: str) -> TrackOutcome:
        """Read or sum, measure, treat, measure, write, draw."""
        return self._group(name) if name in self.session.recipe.groups else self._track(name)

    def _track(self, track: str) -> TrackOutcome:
        self.session.advance(f"{track}: reading")
        file = self.source.read(track)
        # Not before: decoding calls back into Python so often that the two would wait in turns.
        import_in_background(NEEDED_LATER)
        treated = self.session.treat(track, file.samples)
        file = replace(file, samples=np.empty((0, file.samples.shape[1])))
        self._files[track] = file
        return self._finish(treated, file)

    def _group(self, group: str) -> TrackOutcome:
        """A group takes sample format and metadata from the first track in it."""
        treated = self.session.treat(group, self.session.sum_of(group))
        file = self._files[first_track(self.session.recipe, group)]
        return self._finish(treated, replace(file, clipped=0, left_behind=()))

    def _finish(self, treated: TrackPrint, file: TrackFile) -> TrackOutcome:
        name, samples = treated.track, treated.samples
        self.session.advance(f"{name}: writing")
        # Packing curves and audio takes as long as drawing, and needs no interpreter to run.
        with ThreadPoolExecutor(1) as aside:
            audio = aside.submit(self._write_audio, treated, file)
            curves = aside.submit(self._write_curves, treated)
            self._draw(treated)
            written = audio.result()
            curves.result()
        group = self.session.recipe.groups.get(name)
        return TrackOutcome(
            file=file,
            key=self.session.key_of(name),
            treated=replace(treated, samples=np.empty((0, samples.shape[1]))),
            channels=samples.shape[1],
            frames=len(samples),
            written=written,
            output=name + AUDIO,
            of=None if group is None else group.of,
        )

    def _write_audio(self, treated: TrackPrint, file: TrackFile) -> WriteReport:
        name = treated.track + AUDIO
        with self.writer.open(name) as out:
            return write_wav(out, treated.samples, file.rate, file.format, file.chunks, name=name)

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
            lanes=lanes_of(treated),
            start_s=self.span[0] / rate,
            stop_s=self.span[1] / rate,
            key=self.session.key_of(treated.track),
            bleed_dbfs=treated.before.bleed_peak_dbfs,
            came_from=self._came_from(treated.track),
        )
        name = treated.track + PICTURE
        self.writer.write_by_path(name, lambda path: draw_lanes(path, lanes))

    def _came_from(self, name: str) -> str:
        group = self.session.recipe.groups.get(name)
        if group is None:
            return "waveform as it was recorded"
        levels = {
            of: f" {level:+g} dB".replace("-", "−") for of, level in group.of.items() if level
        }
        return f"sum of {' + '.join(of + levels.get(of, '') for of in group.of)}"


def lanes_of(treated: TrackPrint) -> tuple[Lane, ...]:
    """One lane a step, those inside it after it."""
    return tuple(
        Lane(name, summarise(decision.step), decision.curve, number)
        for label, decision in numbered(treated.decisions)
        for number, name in [label.split(" ", 1)]
    )
