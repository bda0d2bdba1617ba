# SPDX-License-Identifier: GPL-3.0-or-later
"""How strong each stroke is with the bleed taken out, and which are ghosts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.hits.spectra import HIGH_EDGES_HZ, LOW, LOW_EDGES_HZ, DrumStroke, Spectra

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

GHOST_DB = -12.0  # without a clear gap, a quarter of a full stroke's amplitude; common practice
GHOST_RANGE_DB = (-16.0, -8.0)
FULL_WITHIN_DB = 6.0
_WIDTH_HZ = np.concatenate([np.diff(LOW_EDGES_HZ), np.diff(HIGH_EDGES_HZ)])


def measure_levels(spectra: Spectra, drum: DrumStroke, explained: Values) -> Values:
    """Level of each stroke in dB against the learned one, from its bands that stand out.

    Where a stroke is louder than what was there before, its own power counts, within 6 dB of what
    the learned stroke predicts; elsewhere the prediction counts.
    """
    shape = drum.predicted(explained)
    own = np.clip(spectra.after - 0.9 * spectra.before, shape / 4, shape * 4)
    power = np.where(shape > spectra.before, own, shape)
    size = LOW + len(HIGH_EDGES_HZ) - 1
    total = (power[:, :size] * _WIDTH_HZ).sum(axis=1)
    return np.asarray(10 * np.log10(total / (drum.power[:size] * _WIDTH_HZ).sum()))


def rank_strokes(level_db: Values) -> tuple[Values, Positions, NDArray[np.bool_]]:
    """Strength in dB re the typical full stroke, velocity 1 … 127, and which are ghosts.

    The typical full stroke is the median of all within 6 dB of the loud ones (95th percentile).
    Velocity is the square law of General MIDI, 40·lg(v / 127). A ghost is what lies below the
    widest gap between −16 and −8 dB, or below −12 dB where nothing separates them.
    """
    loud = np.quantile(level_db, 0.95)
    full = np.median(level_db[level_db > loud - FULL_WITHIN_DB])
    strength = level_db - full
    velocity = np.clip(np.round(127 * 10 ** (strength / 40)), 1, 127).astype(np.int64)
    return strength, velocity, strength < _ghost_limit(strength)


def _ghost_limit(strength: Values) -> float:
    low, high = GHOST_RANGE_DB
    inside = np.sort(strength[(strength > low) & (strength < high)])
    edges = np.concatenate([[low], inside, [high]])
    gaps = np.diff(edges)
    widest = int(np.argmax(gaps))
    if gaps[widest] < 3.0:
        return GHOST_DB
    lower, upper = edges[widest], edges[widest + 1]
    return float(np.clip(GHOST_DB, lower + 1e-9, upper - 1e-9))
