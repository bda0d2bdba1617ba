# SPDX-License-Identifier: GPL-3.0-or-later
"""How strong each stroke is with the bleed taken out, and which are ghosts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.hits.medians import weighted_median
from dsp.hits.spectra import (
    HIGH,
    HIGH_EDGES_HZ,
    LOW,
    LOW_EDGES_HZ,
    SHORT_S,
    DrumStroke,
    Spectra,
)

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

GHOST_DB, GHOST_NEAR_DB = -12.0, 1.5  # a quarter of a full stroke's amplitude; common practice
GHOST_RANGE_DB = (-16.0, -8.0)
FULL_WITHIN_DB = 4.0
ENERGY_S = 0.060
KEPT = 0.9  # of the power that was there before, what is there still
OWN_DB = 3.0  # by which a band may differ from what the stroke's level and the learned one say
LEAST_OWN = 0.1
DOUBT = 20.0
SURE_BANDS, SURE_MATCH, LEAST_SURE = 10.0, 8.0, 6
LEAST_SLOPE, MOST_SLOPE = -0.1, 0.3  # dB that the waveform's level gains per dB of the stroke's
BANDS_OFF_DB, ONE_BAND_DB = 0.3, 5.0  # error of a level that many bands tell, and one
LEAST_BANDS, LEAST_MATCH = 0.5, 0.5
DB_PER_PART = 20 / np.log(10)
# A band's power stands for the 60 ms, or for its part of them, over which it sounds.
_SPANS_S = np.repeat([ENERGY_S, SHORT_S, ENERGY_S - SHORT_S], [LOW, HIGH, HIGH])
_SHARE = np.concatenate([np.diff(LOW_EDGES_HZ), *2 * [np.diff(HIGH_EDGES_HZ)]]) * _SPANS_S


def measure_levels(spectra: Spectra, drum: DrumStroke, explained: Values) -> Values:
    """Energy of each stroke's first 60 ms in dB re the learned one, bleed taken out, (strokes,).

    `explained` is what `explain` found: level, tilt and kind in steps, which predict each band.
    How far the stroke is from that is the median over bands; each band's own power counts as far
    as the band is sure, the prediction else. What was there before adds with any phase, so at r
    times the stroke's power the error is some √(38 r) dB: against the 1.4 dB by which strokes
    differ in a band it leaves a trust of 1 / (1 + 20 r).
    """
    stroke = drum.predicted(explained)
    own = np.maximum(spectra.after - KEPT * spectra.before, LEAST_OWN * spectra.after)
    apart = 10 * np.log10(own / stroke)
    trust = _trust(spectra, stroke)
    middle = weighted_median(apart.T, trust.T)[:, None]
    apart = middle + trust * np.clip(apart - middle, -OWN_DB, OWN_DB)
    energy = (stroke * 10 ** (apart / 10) * _SHARE).sum(axis=1)
    return np.asarray(10 * np.log10(energy / (drum.power * _SHARE).sum()))


def trusted_bands(spectra: Spectra, drum: DrumStroke, explained: Values) -> Values:
    """How many bands, of HIGH + HIGH + LOW, tell each stroke's level, (strokes,)."""
    return np.asarray(_trust(spectra, drum.predicted(explained)).sum(axis=1))


def _trust(spectra: Spectra, stroke: Values) -> Values:
    return np.asarray(1 / (1 + DOUBT * spectra.before / stroke))


def blend_levels(level_db: Values, bands: Values, wave_db: Values, matched: Values) -> Values:
    """Levels of strokes, (strokes,), those that few bands tell by their waveform, too.

    `bands` is what `trusted_bands` says, `wave_db` the level by the matched filter re anything and
    `matched` its value. Soft strokes are duller, so that one level is a straight line over the
    other, fitted on the strokes that both tell well. Each counts by 1 over its variance: z is off
    by one deviation, which is 8.7 / z dB, and the waveforms by as much as they are among the sure.
    """
    sure = (bands > SURE_BANDS) & (matched > SURE_MATCH)
    if sure.sum() < LEAST_SURE:
        return level_db
    apart = level_db[sure] - level_db[sure].mean()
    off = wave_db[sure] - level_db[sure]
    slope = float((apart * (off - off.mean())).sum() / max((apart**2).sum(), 1e-9))
    slope = min(max(slope, LEAST_SLOPE), MOST_SLOPE)
    at = float(np.median(off - slope * apart))
    by_wave = level_db[sure].mean() + (wave_db - level_db[sure].mean() - at) / (1 + slope)
    spread = float(np.std(by_wave[sure] - level_db[sure]))
    wave_error = spread**2 + (DB_PER_PART / np.maximum(matched, LEAST_MATCH)) ** 2
    band_error = BANDS_OFF_DB**2 + (ONE_BAND_DB / np.maximum(bands, LEAST_BANDS)) ** 2
    return np.asarray(level_db + band_error / (band_error + wave_error) * (by_wave - level_db))


def rank_strokes(level_db: Values) -> tuple[Values, Positions, NDArray[np.bool_]]:
    """Strength in dB re the typical full stroke, velocity 1 … 127, and which are ghosts.

    The typical full stroke is the median of all within 4 dB of the loud ones (95th percentile).
    Velocity is the square law of General MIDI, 40·lg(v / 127). A ghost is what lies below −12 dB,
    moved into the widest gap that is within 1.5 dB of it, as far as −16 or −8 dB.
    """
    loud = np.quantile(level_db, 0.95)
    full = np.median(level_db[level_db > loud - FULL_WITHIN_DB])
    strength = level_db - full
    velocity = np.clip(np.round(127 * 10 ** (strength / 40)), 1, 127).astype(np.int64)
    return strength, velocity, strength < _ghost_limit(strength)


def _ghost_limit(strength: Values) -> float:
    low, high = GHOST_RANGE_DB
    inside = np.sort(strength[(strength > low) & (strength < high)])
    lower, upper = np.append(low, inside), np.append(inside, high)
    near = (lower < GHOST_DB + GHOST_NEAR_DB) & (upper > GHOST_DB - GHOST_NEAR_DB)
    widest = np.flatnonzero(near)[np.argmax((upper - lower)[near])]
    return float(np.clip(GHOST_DB, lower[widest] + 1e-9, upper[widest] - 1e-9))
