# SPDX-License-Identifier: GPL-3.0-or-later
"""All strokes of a recording of single strokes: what is wrong with each, and which are chosen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from dsp.errors import UsageError
from dsp.hits import find_hits
from dsp.samples.arrival import place_arrivals
from dsp.samples.choosing import characterise, choose_alternates
from dsp.samples.envelopes import measure_envelope
from dsp.samples.faults import Inspected, inspect_strokes
from dsp.samples.level import stroke_level_dbfs
from dsp.samples.stages import group_stages, natural_stages
from dsp.take import Samples

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

Stages = int | Literal["auto"]
Read = Callable[[str], Samples]


@dataclass(frozen=True)
class Survey:
    """Every stroke found on the close track, in order of time.

    `onset` is the first sample of its arrival there, `end` (exclusive) where its tail has ended in
    every microphone, −1 where it does not; `level_dbfs` as in `dsp.samples.level`; `fault` why it
    cannot be a sample, "" where it can; `stage` 1 … for those, else 0. `chosen` holds the strokes
    (indices) of each stage, softest stage first. `fundamental_hz` is NaN where it was not found.
    """

    rate: int
    frames: int
    onset: Positions
    end: Positions
    level_dbfs: Values
    fault: tuple[str, ...]
    stage: Positions
    chosen: tuple[tuple[int, ...], ...]
    fundamental_hz: float

    def __len__(self) -> int:
        return len(self.onset)

    def faults(self) -> dict[str, int]:
        """How many strokes have each fault, the most frequent first."""
        return dict(Counter(fault for fault in self.fault if fault).most_common())


def survey_strokes(
    microphones: tuple[str, ...],
    read: Read,
    rate: int,
    stages: Stages,
    alternates: int,
    finding: Samples | None = None,
    untreated: Samples | None = None,
) -> Survey:
    """Find, inspect, group and choose.

    `read` returns the samples (frames, channels) of a microphone; the first is the close one.
    Strokes are found on `finding`, and arrivals placed on `untreated`, both the close track by
    default: a treatment that opens ahead of strokes would begin with them. Raises `UsageError`
    where there are not enough clean strokes.
    """
    close = read(microphones[0])
    frames = len(close)
    hits = find_hits(close if finding is None else finding, rate)
    near = hits.onset
    levels = _levels(close, near, rate)
    envelopes = {
        name: measure_envelope(read(name) if i else close, rate)
        for i, name in enumerate(microphones)
    }
    found = inspect_strokes(envelopes, near, levels, frames, rate)
    clean = np.flatnonzero([not fault for fault in found.fault])
    wanted = _wanted(stages, levels[clean], alternates, len(near), found)
    arriving = close if untreated is None else untreated
    onset = near.copy()
    onset[clean] = place_arrivals(arriving.mean(axis=1), near[clean], levels[clean], rate)
    levels = _levels(close, onset, rate)
    stage = np.zeros(len(near), dtype=np.int64)
    stage[clean] = group_stages(levels[clean], wanted, alternates)
    character = characterise(close, onset, rate)
    chosen = tuple(
        tuple(
            choose_alternates(
                np.flatnonzero(stage == number), levels, found.company_db, character, alternates
            ).tolist()
        )
        for number in range(1, wanted + 1)
    )
    return Survey(
        rate, frames, onset, found.end, levels, found.fault, stage, chosen, hits.fundamental_hz
    )


def _levels(close: Samples, onset: Positions, rate: int) -> Values:
    return np.array([stroke_level_dbfs(close, int(at), rate) for at in onset])


def _wanted(
    stages: Stages, clean_dbfs: Values, alternates: int, strokes: int, found: Inspected
) -> int:
    """How many stages to make. Raises `UsageError` where there are too few clean strokes."""
    clean = len(clean_dbfs)
    least = alternates if stages == "auto" else stages * alternates
    if clean < least:
        reasons = Counter(fault for fault in found.fault if fault).most_common()
        why = "".join(f"; {count} × {fault}" for fault, count in reasons)
        need = (
            f"{stages} stages of {alternates}" if stages != "auto" else f"{alternates} alternates"
        )
        raise UsageError(
            f"found {strokes} strokes, of which {clean} can be samples{why}; "
            f"accepted: at least {least} for {need}, or fewer --stages or --alternates"
        )
    return natural_stages(clean_dbfs, alternates) if stages == "auto" else stages
