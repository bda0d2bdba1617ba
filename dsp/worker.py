# SPDX-License-Identifier: GPL-3.0-or-later
"""Carry one track, or one group, to its outputs: treat, write, draw; keep all but the audio.

What drawing needs is loaded in the background while strokes are found: most of a short command's
time would otherwise be spent waiting for it.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from dsp.audio import TrackFile
from dsp.audio.writing import WriteReport, write_wav
from dsp.curves import save_curves
from dsp.lanes import Lane, LanesData, draw_lanes, get_ready, wave_peaks
from dsp.outputs import Writer
from dsp.session import Session, TrackPrint, curves_of, numbered
from dsp.sheet import TrackOutcome
from dsp.sources import FileSource
from dsp.steps.base import Decision
from dsp.summary import summarise
from dsp.summing import first_track
from dsp.take import Samples

AUDIO, PICTURE, CURVES = ".wav", ".lanes.png", ".curves.npz"


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
        threading.Thread(target=get_ready, daemon=True).start()
        samples, file = file.samples, replace(file, samples=np.empty((0, file.samples.shape[1])))
        self._files[track] = file
        return self._print(track, samples, file)

    def _group(self, group: str) -> TrackOutcome:
        """A group takes sample format and metadata from the first track in it."""
        file = self._files[first_track(self.session.recipe, group)]
        file = replace(file, clipped=0, left_behind=())
        return self._print(group, self.session.sum_of(group), file)

    def _print(self, name: str, samples: Samples, file: TrackFile) -> TrackOutcome:
        """Treat `samples` in place; write them, as a sample file like `file`, and all the rest."""
        # Packing curves and audio takes as long as drawing, and needs no interpreter to run.
        with ThreadPoolExecutor(1) as aside:
            packing: list[Future[None]] = []

            def pack(decisions: Sequence[Decision]) -> None:
                packing.append(aside.submit(self._write_curves, name, decisions))

            treated = self.session.treat(name, samples, pack)
            self.session.advance(f"{name}: writing")
            audio = aside.submit(self._write_audio, treated, file)
            self._draw(treated)
            written = audio.result()
            for curves in packing:
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

    def _write_curves(self, name: str, decisions: Sequence[Decision]) -> None:
        curves = curves_of(decisions)
        self.writer.write_by_path(name + CURVES, lambda path: save_curves(path, curves))

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
