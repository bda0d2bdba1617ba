# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures of a treated snare track against known truth.

Arrays are float64 (frames,): `clean` is the snare alone, `raw` what the microphone recorded
(snare and bleed), `done` the treated track. Levels and ratios are in dB. Bleed reduction is never
reported without the damage to the drum beside it (Terrell, Reiss, Sandler, EURASIP J. Adv. Signal
Process. 2010:465417).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Sound = NDArray[np.float64]
Places = NDArray[np.int64]

HEAD_S = 0.060
TAIL_S = (0.060, 0.200)
SHORTEST_TAIL_S = 0.060
GHOST_WITHIN_DB = 1.5
FULL_WITHIN_DB = 0.5
GAP_BELOW_DB = -60.0
STROKE_S = 0.100


def si_sdr(clean: Sound, done: Sound) -> float:
    """Scale-invariant signal-to-distortion ratio, dB.

    α = <ŝ, s> / ||s||²; 10 lg(||α s||² / ||ŝ − α s||²): Le Roux, Wisdom, Erdogan, Hershey,
    "SDR – half-baked or well done?", ICASSP 2019. An
    exact or scaled copy gives +inf, silence NaN.
    """
    scale = float(np.sum(done * clean)) / _energy(clean)
    wanted = scale * clean
    return _ratio_db(_energy(wanted), _energy(done - wanted))


def snr(clean: Sound, done: Sound) -> float:
    """Plain signal-to-error ratio, 10 lg(||s||² / ||ŝ − s||²), dB; a change of gain is an error."""
    return _ratio_db(_energy(clean), _energy(done - clean))


def own_gain(clean: Sound, done: Sound) -> float:
    """Gain at which `clean` is contained in `done` (least squares), dB; bleed does not add to it.

    -inf where it is not contained, or with opposite polarity.
    """
    reference = _energy(clean)
    if reference == 0.0:
        return math.nan
    scale = float(np.sum(done * clean)) / reference
    return 20.0 * math.log10(scale) if scale > 0.0 else -math.inf


def level_change(clean: Sound, done: Sound) -> float:
    """Energy of `done` re `clean`, dB."""
    return _ratio_db(_energy(done), _energy(clean))


@dataclass(frozen=True)
class StrokeMeasures:
    """One stroke, treated against clean, dB.

    Attributes:
        head: energy of the first 60 ms (or up to the next stroke) re the clean stroke.
        head_own: gain of the stroke itself over the same span.
        tail_own: gain of its decay, 60 to 200 ms (or up to the next stroke); NaN when the next
            stroke leaves less than 60 ms of it.
        first_10: gain in SNR over the raw track in the first 10 ms.
        first_40: the same in the first 40 ms.

    """

    head: float
    head_own: float
    tail_own: float
    first_10: float
    first_40: float


def strokes(
    clean: Sound, raw: Sound, done: Sound, arrivals: Places, rate: int
) -> list[StrokeMeasures]:
    """Measures of every stroke, in order; `arrivals` are first samples, ascending."""
    ends = np.append(arrivals[1:], len(clean))
    measured = []
    for start, end in zip(arrivals.tolist(), ends.tolist(), strict=True):
        head = slice(start, min(end, start + round(HEAD_S * rate)))
        tail = slice(start + round(TAIL_S[0] * rate), min(end, start + round(TAIL_S[1] * rate)))
        long_enough = tail.stop - tail.start >= round(SHORTEST_TAIL_S * rate)
        firsts = [slice(start, min(end, start + round(span * rate))) for span in (0.010, 0.040)]
        measured.append(
            StrokeMeasures(
                head=level_change(clean[head], done[head]),
                head_own=own_gain(clean[head], done[head]),
                tail_own=own_gain(clean[tail], done[tail]) if long_enough else math.nan,
                first_10=_snr_gain(clean, raw, done, firsts[0]),
                first_40=_snr_gain(clean, raw, done, firsts[1]),
            )
        )
    return measured


def kept(changes: list[float], within_db: float) -> float:
    """Share (0..1) of strokes whose level changed by no more than `within_db`; NaN for none."""
    if not changes:
        return math.nan
    return float(np.mean(np.abs(np.array(changes)) <= within_db))


def gaps(clean: Sound, rate: int) -> NDArray[np.bool_]:
    """Where the drum is silent: its peak over ±5 ms is under `GAP_BELOW_DB` re its highest."""
    block = max(1, round(0.005 * rate))
    count = -(-len(clean) // block)
    size = np.zeros(count * block)
    size[: len(clean)] = np.abs(clean)
    peaks = size.reshape(count, block).max(axis=1)
    around = np.maximum(peaks, np.maximum(np.append(peaks[1:], 0.0), np.append(0.0, peaks[:-1])))
    quiet = around < float(peaks.max()) * 10.0 ** (GAP_BELOW_DB / 20.0)
    return np.repeat(quiet, block)[: len(clean)]


def gap_reduction(clean: Sound, raw: Sound, done: Sound, rate: int) -> float:
    """How far the track went down where the drum is silent, dB; NaN when it never is."""
    quiet = gaps(clean, rate)
    return _ratio_db(_energy(raw[quiet]), _energy(done[quiet])) if quiet.any() else math.nan


def stroke_reduction(clean: Sound, raw: Sound, done: Sound, arrivals: Places, rate: int) -> float:
    """How far the error under the strokes is below the raw track's bleed there, dB.

    Over the first 100 ms of each stroke. The error is what remains of `done` after the stroke at
    its own gain, so it is bleed and damage together, and level moves do not count as error.
    """
    before = after = 0.0
    ends = np.append(arrivals[1:], len(clean))
    for start, end in zip(arrivals.tolist(), ends.tolist(), strict=True):
        span = slice(start, min(end, start + round(STROKE_S * rate)))
        reference = _energy(clean[span])
        scale = float(np.sum(done[span] * clean[span])) / reference if reference > 0.0 else 0.0
        before += _energy(raw[span] - clean[span])
        after += _energy(done[span] - scale * clean[span])
    return _ratio_db(before, after)


def _snr_gain(clean: Sound, raw: Sound, done: Sound, span: slice) -> float:
    return snr(clean[span], done[span]) - snr(clean[span], raw[span])


def _energy(sound: Sound) -> float:
    # not np.dot: its sums depend on how many cores there are
    return float(np.sum(sound * sound))


def _ratio_db(over: float, under: float) -> float:
    if over == 0.0 and under == 0.0:
        return math.nan
    if under == 0.0:
        return math.inf
    return 10.0 * math.log10(over / under) if over > 0.0 else -math.inf
