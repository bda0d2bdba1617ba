# SPDX-License-Identifier: GPL-3.0-or-later
"""`layer` from files to files: a set, a part and the real close track in; stems and a check out.

Decisions:

- Stems have the close track's rate, length, sample format and metadata; each is named after its
  microphone. All outputs appear together, or none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.audio import OutputSet, TrackFile, read_track, write_wav
from dsp.curves import GainCurve, apply_curve
from dsp.errors import AudioError, UsageError
from dsp.outputs import Writer
from dsp.recipe.tracks import check_track_name
from dsp.samples.following import check_notes
from dsp.samples.hands import NOTES
from dsp.samples.layer_check import StrokeCheck, check_data, check_layer, played_dbfs
from dsp.samples.layer_part import SongPart, read_part
from dsp.samples.layer_picture import draw_layer
from dsp.samples.layering import Plan, plan_layer, render_stem
from dsp.samples.levels_file import level_curve, read_levels
from dsp.samples.sample_set import Sample, SampleSet, load_set
from dsp.sheet import sheet_bytes
from dsp.take import Samples
from dsp.version import version

CHECK, PICTURE = "layer.json", "layer.png"
REACH_MS = 2.0
MOST_REACH_MS = 10.0


@dataclass(frozen=True, eq=False)
class LayerReport:
    """What was written: `files` by name with their sizes, the checks, and `content` for JSON."""

    folder: Path
    files: Mapping[str, int]
    checks: tuple[StrokeCheck, ...]
    content: Mapping[str, Any]


def layer(
    samples_from: Path,
    song: Path,
    close: Path,
    out_dir: Path,
    *,
    reach_ms: float = REACH_MS,
    notes: Sequence[int] = NOTES,
    levels: Path | None = None,
    overwrite: bool = False,
) -> LayerReport:
    """Lay the set in `samples_from` under the strokes of the track `close`.

    `song` is a MIDI file, of which `notes` are played, or a hits file; `reach_ms` how far a stroke
    may be moved so that it adds to the real one; `levels` a list of levels over time. Writes one
    stem for each microphone of the set, layer.json and layer.png into `out_dir`.

    Raises `UsageError` where set, song, levels and track cannot be used together, `AudioError` for
    an unusable audio file, `OutputError` where an output exists (unless `overwrite`) or cannot be
    written. Then nothing is written.
    """
    if not 0 <= reach_ms <= MOST_REACH_MS:
        raise UsageError(f"reach: found {reach_ms:g} ms; accepted: 0 to {MOST_REACH_MS:g} ms")
    check_notes(notes)
    samples = load_set(samples_from)
    folder = Path(out_dir)
    targets = [folder / name for name in (*_stem_names(samples), CHECK, PICTURE)]
    inputs = [Path(path) for path in (close, song, levels) if path is not None]
    inputs += [samples.path(s, mic) for s in samples.samples for mic in samples.microphones]
    changes = () if levels is None else read_levels(levels)
    with OutputSet(targets, inputs=inputs, overwrite=overwrite) as outputs:
        track = read_track(Path(close))
        rate, frames = track.rate, len(track.samples)
        if rate != samples.rate:
            raise AudioError(
                f"{track.path}: found {rate} Hz; accepted: {samples.rate} Hz, as the sample set has"
            )
        part = read_part(Path(song), track, samples, notes)
        fundamental = part.fundamental_hz or samples.fundamental_hz
        reach = round(reach_ms * rate / 1000)
        reader = _Reader(samples)
        plan = plan_layer(samples, part.strokes, track.samples, reach, fundamental, reader.read)
        run = _Run(samples, track, plan, level_curve(changes, rate, frames), fundamental, reader)
        writer = Writer(outputs, folder)
        checks, stems = run.write(writer)
        content = _content(part, run, reach, checks, stems)
        writer.write(CHECK, sheet_bytes(content))
    return LayerReport(folder, writer.sizes, checks, content)


def _stem_names(samples: SampleSet) -> list[str]:
    """File names of the stems. Raises `UsageError` where a microphone cannot name a file."""
    try:
        return [f"{check_track_name(name)}.wav" for name in samples.microphones]
    except ValueError as error:
        raise UsageError(f"{samples.folder}: {error}") from error


class _Reader:
    """The set's files, each read once; they must be what the set says."""

    def __init__(self, samples: SampleSet) -> None:
        self._samples = samples
        self._read: dict[str, Samples] = {}
        self._channels: dict[str, tuple[int, Path]] = {}

    def read(self, sample: Sample, microphone: str) -> Samples:
        """Samples (frames, channels) of a file of the set. Raises `AudioError`."""
        path = self._samples.path(sample, microphone)
        if path.name not in self._read:
            file = read_track(path)
            if file.rate != self._samples.rate:
                raise AudioError(
                    f"{path}: found {file.rate} Hz; accepted: {self._samples.rate} Hz, as its set"
                )
            channels = file.samples.shape[1]
            first, of = self._channels.setdefault(microphone, (channels, path))
            if channels != first:
                raise AudioError(
                    f"{path}: found {channels} channels; accepted: {first}, as {of.name} has"
                )
            self._read[path.name] = file.samples
        return self._read[path.name]


@dataclass(frozen=True, eq=False)
class _Run:
    samples: SampleSet
    track: TrackFile
    plan: Plan
    fader: GainCurve
    fundamental_hz: float | None
    reader: _Reader

    def write(self, writer: Writer) -> tuple[tuple[StrokeCheck, ...], dict[str, Any]]:
        """Write stems and picture; the close stem, the set's first, is the one that is checked."""
        checks: tuple[StrokeCheck, ...] = ()
        stems = {}
        for number, microphone in enumerate(self.samples.microphones):
            frames = len(self.track.samples)
            stem = render_stem(self.plan, microphone, frames, self.reader.read)
            apply_curve(stem, self.fader)
            if number == 0:
                checks = self._check(stem)
                self._draw(writer, checks, stem)
            stems[microphone] = self._write(writer, f"{microphone}.wav", stem)
        return checks, stems

    def _check(self, stem: Samples) -> tuple[StrokeCheck, ...]:
        at = [placed.turn.stroke.at for placed in self.plan.placed]
        fader: NDArray[np.float64] = np.interp(at, self.fader.at, self.fader.db[:, 0])
        real, rate = self.track.samples, self.track.rate
        close = self.samples.microphones[0]
        alone = played_dbfs(self.plan, close, rate, self.reader.read)
        return check_layer(self.plan, real, stem, fader, self.fundamental_hz, rate, alone)

    def _draw(self, writer: Writer, checks: tuple[StrokeCheck, ...], stem: Samples) -> None:
        name = f"{self.samples.name} under {self.track.path.stem}"
        real, rate = self.track.samples, self.track.rate
        writer.write_by_path(PICTURE, lambda path: draw_layer(path, name, checks, real, stem, rate))

    def _write(self, writer: Writer, name: str, stem: Samples) -> dict[str, Any]:
        kind = self.track.format
        if stem.shape[1] != self.track.samples.shape[1]:
            kind = replace(kind, channel_mask=None)
        with writer.open(name) as out:
            done = write_wav(out, stem, self.track.rate, kind, self.track.chunks, name=name)
        return {
            "file": name,
            "sha256": writer.sha256[name],
            "channels": stem.shape[1],
            "peak_dbfs": done.peak_dbfs,
            "clipped": done.clipped,
        }


def _content(
    part: SongPart,
    run: _Run,
    reach: int,
    checks: tuple[StrokeCheck, ...],
    stems: Mapping[str, Any],
) -> dict[str, Any]:
    track = run.track
    return {
        "layer": 1,
        "drumprint": version(),
        "set": run.samples.name,
        "song": part.name,
        "track": {"file": track.path.name, "sha256": track.sha256, "rate": track.rate},
        "polarity": "as in the set" if run.plan.polarity > 0 else "inverted",
        "reach_samples": reach,
        "fundamental_hz": run.fundamental_hz,
        "stems": stems,
        "check": check_data(checks, track.rate),
        "remarks": list(part.remarks),
    }
