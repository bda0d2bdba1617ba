# SPDX-License-Identifier: GPL-3.0-or-later
"""Cut a drum's own samples from a recording of single strokes, and write them as a set.

Decisions:

- All microphones of a stroke are cut at one sample, `lead` before its arrival on the close track,
  and at one end, where it has sunk into silence in the last of them: nothing is moved, so the
  delays between microphones are those of the recording. Only the last 10 ms are faded.
- Samples keep the recording's level, unless they are to be normalised; then one gain holds for all
  microphones of a stroke, and the manifest notes it.
- One microphone at a time is held in memory; files are read again where they are needed again.
- The set appears whole or not at all. Where it replaces another, files of the old one that the new
  one does not have are removed once the new one is there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from dsp.audio import OutputSet
from dsp.errors import UsageError
from dsp.outputs import Writer
from dsp.samples.sample_set import Sample, SampleSet
from dsp.samples.set_files import (
    Pieces,
    normalised,
    old_files,
    picture_name,
    plain,
    refuse_existing,
    set_files,
    wav_name,
    write_samples,
    write_texts,
)
from dsp.samples.sources import SetSource, finding_track
from dsp.samples.stages import FEWEST, MOST, USUAL, velocity_tops
from dsp.samples.survey import Read, Stages, Survey, survey_strokes
from dsp.take import Samples

if TYPE_CHECKING:
    from dsp.progress import Progress
    from dsp.recipe import Recipe

FADE_S = 0.010
MOST_LEAD, MOST_ALTERNATES = 48_000, 16


@dataclass(frozen=True)
class CutReport:
    """What a cut wrote: the set, all strokes it chose from, its files with sizes, and notes."""

    samples: SampleSet
    survey: Survey
    files: Mapping[str, int]
    notes: tuple[str, ...]


def cut(
    files: Mapping[str, Path],
    out_dir: Path,
    *,
    close: str | None = None,
    stages: Stages = USUAL,
    alternates: int = 2,
    lead: int = 2,
    normalise: bool = False,
    find_with: Recipe | None = None,
    treat_with: Recipe | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> CutReport:
    """Cut samples from `files` (microphone → audio file) and write the set into `out_dir`.

    Strokes are found on the microphone `close`, by default the one of that name or the first.
    `stages` 5 to 10 or "auto", `alternates` 1 to 16 in each, `lead` samples 0 to 48 000 ahead of
    each arrival. `find_with` cleans the close track for finding only; `treat_with` the audio too.
    `normalise` brings each stroke's highest peak to −1 dBFS.

    Raises `UsageError` for wrong arguments and too few clean strokes, `AudioError` for an unusable
    file, `OutputError` for outputs that exist (unless `overwrite`) or cannot be written. Then
    nothing is written.
    """
    _check(stages, alternates, lead)
    source = SetSource({name: Path(path) for name, path in files.items()}, close)
    folder = Path(out_dir)
    if not overwrite:
        refuse_existing(folder)
    say = progress or (lambda _share, _doing: None)
    say(0.0, "finding strokes")
    if treat_with is not None:
        source.treat(treat_with)
    survey = survey_strokes(
        source.microphones,
        source.read,
        source.rate,
        stages,
        alternates,
        finding_track(source, find_with),
        source.untreated(),
    )
    say(0.5, "cutting")
    planned = plan_set(source.microphones, survey, folder, lead)
    pieces = cut_pieces(planned, survey, source.read)
    made = normalised(planned, pieces) if normalise else planned
    say(0.7, "writing")
    sizes, clipped = _write(made, survey, pieces, source, overwrite)
    return CutReport(made, survey, sizes, tuple(_notes(survey, clipped)))


def plan_set(microphones: Sequence[str], survey: Survey, folder: Path, lead: int) -> SampleSet:
    """The set of the chosen strokes, at the level of the recording."""
    name = plain(folder.resolve().name) or "set"
    stage_dbfs = np.array([survey.level_dbfs[list(group)].mean() for group in survey.chosen])
    # The loudest stroke, not a typical one: nothing that was played is beyond the set's reach.
    full_dbfs = float(survey.level_dbfs[survey.stage == len(survey.chosen)].max())
    tops = velocity_tops(stage_dbfs, full_dbfs)
    lows = [1, *(top + 1 for top in tops[:-1])]
    samples = [
        Sample(
            stage=stage,
            alternate=alternate,
            velocity_low=lows[stage - 1],
            velocity_high=tops[stage - 1],
            level_dbfs=round(float(survey.level_dbfs[index]), 3),
            gain_db=0.0,
            onset=lead,
            source_sample=int(survey.onset[index]),
            files={mic: wav_name(name, stage, alternate, mic) for mic in microphones},
        )
        for stage, group in enumerate(survey.chosen, 1)
        for alternate, index in enumerate(group, 1)
    ]
    tuned = survey.fundamental_hz
    return SampleSet(
        folder=folder,
        name=name,
        rate=survey.rate,
        lead=lead,
        microphones=tuple(microphones),
        samples=tuple(samples),
        fundamental_hz=float(tuned) if np.isfinite(tuned) else None,
        full_dbfs=round(full_dbfs, 3),
    )


def cut_pieces(samples: SampleSet, survey: Survey, read: Read) -> Pieces:
    """Every stroke of the set in every microphone: from `lead` before its arrival to its end."""
    end_of = dict(zip(survey.onset.tolist(), survey.end.tolist(), strict=True))
    pieces = {}
    for microphone in samples.microphones:
        track = read(microphone)
        pieces[microphone] = {
            index: _piece(
                track, one.source_sample - one.onset, end_of[one.source_sample], samples.rate
            )
            for index, one in enumerate(samples.samples)
        }
    return pieces


def _piece(track: Samples, start: int, stop: int, rate: int) -> Samples:
    """Samples start … stop with a fade at their end; silence where the recording has none yet."""
    part = track[max(start, 0) : stop]
    piece = np.concatenate([np.zeros((max(-start, 0), track.shape[1])), part])
    count = min(round(FADE_S * rate), len(piece))
    piece[len(piece) - count :] *= np.cos(np.pi / 2 * np.arange(1, count + 1) / count)[:, None] ** 2
    return np.asarray(piece)


def _write(
    made: SampleSet, survey: Survey, pieces: Pieces, source: SetSource, overwrite: bool
) -> tuple[Mapping[str, int], int]:
    """Write the set; return its files with their sizes, and how many samples clipped."""
    from dsp.samples.pictures import draw_set

    folder, names = made.folder, set_files(made)
    replaced = old_files(folder) if overwrite else set()
    targets = [folder / name for name in names]
    with OutputSet(targets, inputs=source.files.values(), overwrite=overwrite) as outputs:
        writer = Writer(outputs, folder)
        clipped = write_samples(made, pieces, source.sample_format(), writer)
        write_texts(made, writer)
        writer.write_by_path(picture_name(made), lambda path: draw_set(path, made, survey, pieces))
    for name in replaced - set(names):
        (folder / name).unlink(missing_ok=True)
    return writer.sizes, clipped


def _check(stages: Stages, alternates: int, lead: int) -> None:
    if stages != "auto" and not FEWEST <= stages <= MOST:
        raise UsageError(f"stages: found {stages}; accepted: {FEWEST} to {MOST}, or auto")
    if not 1 <= alternates <= MOST_ALTERNATES:
        raise UsageError(f"alternates: found {alternates}; accepted: 1 to {MOST_ALTERNATES}")
    if not 0 <= lead <= MOST_LEAD:
        raise UsageError(f"lead: found {lead}; accepted: 0 to {MOST_LEAD} samples")


def _notes(survey: Survey, clipped: int) -> list[str]:
    """What a user should know: strokes that were left out and why, clipping."""
    notes = [f"{count} × {fault}" for fault, count in survey.faults().items()]
    if clipped:
        notes.append(f"{clipped} samples were limited to full scale")
    return notes
