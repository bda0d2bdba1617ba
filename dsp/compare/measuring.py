# SPDX-License-Identifier: GPL-3.0-or-later
"""What is measured on one track of one variant, over the whole take.

Everything is measured at the strokes and gaps of one hit map, found once on the raw key track.
Levels are those of the print as printed. What would only follow its gain is given relative to the
median full stroke instead, so that variants compare whatever their level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dsp.compare.octaves import centres_hz, gap_octaves, stroke_octaves
from dsp.hits.hitmap import HitMap
from dsp.measures import Measures, measure, stroke_peaks
from dsp.take import Samples

Values = NDArray[np.float64]

GHOST_DOWN_DB = 6.0  # against the full strokes: half its level is a ghost that is lost in a mix
ATTACK_S = (0.0, 0.015)
SUSTAIN_S = (0.03, 0.15)


class Measured(NamedTuple):
    """One value: what it is, its unit, what it means, and the number; None where unknown."""

    name: str
    unit: str
    meaning: str
    value: float | None


@dataclass(frozen=True, eq=False)
class TrackReading:
    """One track of one variant, measured.

    `full` and `ghosts` are the peak amplitudes of its strokes, in order; `bleed_octaves` power
    between strokes and `stroke_octaves` share of the strokes' energy, None where not measured.
    """

    plain: Measures
    full: Values
    ghosts: Values
    attack_db: float | None
    bleed_octaves: Values | None
    stroke_octaves: Values | None


def read_print(samples: Samples, hits: HitMap) -> TrackReading:
    """Measure samples (frames, channels) of a print."""
    return TrackReading(
        plain=measure(samples, hits),
        full=stroke_peaks(samples, hits, ~hits.ghost),
        ghosts=stroke_peaks(samples, hits, hits.ghost),
        attack_db=attack_above_sustain(samples, hits),
        bleed_octaves=gap_octaves(samples, hits),
        stroke_octaves=stroke_octaves(samples, hits),
    )


def attack_above_sustain(samples: Samples, hits: HitMap) -> float | None:
    """Median over full strokes of the RMS of the first 15 ms re that from 30 to 150 ms, dB.

    Only strokes that have 150 ms to themselves; None where there are none.
    """
    following = np.append(hits.onset[1:], hits.frames)[: len(hits)]
    room = following - hits.onset >= round(SUSTAIN_S[1] * hits.rate)
    ratios = []
    for onset in hits.onset[room & ~hits.ghost]:
        attack, sustain = (
            _power(samples, onset, span, hits.rate) for span in (ATTACK_S, SUSTAIN_S)
        )
        if attack > 0 and sustain > 0:
            ratios.append(10 * math.log10(attack / sustain))
    return float(np.median(ratios)) if ratios else None


def _power(samples: Samples, onset: int, span: tuple[float, float], rate: int) -> float:
    part = samples[onset + round(span[0] * rate) : onset + round(span[1] * rate)]
    return float(np.einsum("ij,ij->", part, part)) / part.size


def ghosts_kept(raw: TrackReading, other: TrackReading) -> float | None:
    """Percent of ghost notes that went down by no more than 6 dB against the full strokes."""
    sounding = raw.ghosts > 0
    if not sounding.any() or not (raw.full > 0).any():
        return None
    with np.errstate(divide="ignore"):
        full = np.median(20 * np.log10(other.full[raw.full > 0] / raw.full[raw.full > 0]))
        ghosts = 20 * np.log10(other.ghosts[sounding] / raw.ghosts[sounding])
    if not np.isfinite(full):
        return None
    return 100.0 * float((ghosts - full >= -GHOST_DOWN_DB).mean())


def take_rows(reading: TrackReading, raw: TrackReading, rate: int) -> list[Measured]:
    """All measures of a track over the take, in one order for every variant."""
    plain = reading.plain
    return [
        *_bleed_rows(reading, rate),
        Measured(
            "ghosts kept",
            "%",
            "ghost notes that went down by no more than 6 dB against the full strokes",
            ghosts_kept(raw, reading),
        ),
        Measured(
            "ghosts below full strokes",
            "dB",
            "median peak of the full strokes less that of the ghost notes",
            plain.ghost_distance_db,
        ),
        Measured(
            "level spread of full strokes",
            "dB",
            "standard deviation of their peak levels",
            plain.spread_db,
        ),
        Measured(
            "level spread of full strokes, 5 to 95 %",
            "dB",
            "from the softest to the loudest but one in twenty at either end",
            plain.spread_90_db,
        ),
        Measured(
            "attack above sustain",
            "dB",
            "RMS of a full stroke's first 15 ms re that from 30 to 150 ms, median",
            reading.attack_db,
        ),
        *_ring_rows(plain),
        *_stroke_rows(reading, rate),
        Measured("highest sample peak", "dBFS", "of the whole take, as printed", plain.peak_dbfs),
        Measured("clipped samples", "", "at full scale or above, whole take", float(plain.clipped)),
    ]


def _bleed_rows(reading: TrackReading, rate: int) -> list[Measured]:
    plain, typical = reading.plain, reading.plain.typical_dbfs
    rows = [
        Measured(
            "bleed between strokes",
            "dBFS",
            "RMS of everything between the strokes, as printed",
            plain.bleed_rms_dbfs,
        ),
        Measured(
            "full strokes above bleed",
            "dB",
            "median peak of the full strokes less the RMS between strokes",
            difference(typical, plain.bleed_rms_dbfs),
        ),
    ]
    centres = centres_hz(rate)
    powers = reading.bleed_octaves
    found = [None] * len(centres) if powers is None else [_level(p) for p in powers]
    meaning = "RMS of this octave between strokes, re the median full stroke's peak"
    for hz, level in zip(centres, found, strict=True):
        value = difference(level, typical)
        rows.append(Measured(f"bleed, octave at {shown_hz(hz)}", "dB", meaning, value))
    return rows


def _ring_rows(plain: Measures) -> list[Measured]:
    rows = []
    for ring in sorted(plain.rings, key=lambda ring: ring.hz):
        name = f"ring at {ring.hz:.0f} Hz"
        rows += [
            Measured(
                f"{name}, decay time",
                "s",
                "time in which it falls by 60 dB; unknown where a gain has bent the decay",
                ring.t60_s,
            ),
            Measured(
                f"{name}, level",
                "dB",
                "RMS from 60 to 200 ms after the onset, re the median full stroke's peak",
                difference(ring.level_dbfs, plain.typical_dbfs),
            ),
        ]
    return rows


def _stroke_rows(reading: TrackReading, rate: int) -> list[Measured]:
    centres = centres_hz(rate)
    shares = reading.stroke_octaves
    found = [None] * len(centres) if shares is None else [_level(share) for share in shares]
    meaning = "this octave's share of the energy of the full strokes, their first 170 ms"
    return [
        Measured(f"strokes, octave at {shown_hz(hz)}", "dB", meaning, level)
        for hz, level in zip(centres, found, strict=True)
    ]


def _level(power: float) -> float | None:
    return 10 * math.log10(power) if power > 0 else None


def difference(one: float | None, other: float | None) -> float | None:
    """One less the other; None where either is unknown."""
    return None if one is None or other is None else one - other


def shown_hz(hz: float) -> str:
    """`63 Hz`, `500 Hz`, `4 kHz`: an octave by its usual name."""
    return f"{hz / 1000:g} kHz" if hz >= 1000 else f"{math.ceil(hz):g} Hz"
