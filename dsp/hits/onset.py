# SPDX-License-Identifier: GPL-3.0-or-later
"""Onsets to the sample: where a stroke's first sound arrives."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.hits.rises import PICK_BANDS_HZ, PICK_Q, band_sections, pick_changes
from dsp.hits.spectra import CENTRES_HZ, HIGH, LOW, DrumStroke, Spectra
from dsp.kernels.onsets import attack_starts

Values = NDArray[np.float64]
Sound = NDArray[np.float32] | NDArray[np.float64]
Positions = NDArray[np.int64]

RUN_IN_S, AHEAD_S, BEHIND_S, SMOOTH_S = 0.005, 0.007, 0.009, 0.00025
BACK_S, ON_S, MARGIN_S = 0.0016, 0.0004, 0.002
RISE = 0.05  # of the stroke's own highest power in a band: what is softer is not its attack
POWER = 2.0  # bands that something else fills count for little
MOST = 0.6  # of the bands, by weight, must have begun


def place_onsets(
    x: Sound, near: Positions, spectra: Spectra, drum: DrumStroke, explained: Values, rate: int
) -> Positions:
    """First sample of each stroke of x (n,), strictly rising.

    `near` are their candidates, `spectra` and `explained` (measures of each) say how far each
    stroke stands out in each band against what was there before; bands count accordingly.
    """
    weights = _visibility(spectra, drum, explained)
    b, a = band_sections(PICK_BANDS_HZ, rate, PICK_Q)
    spans = tuple(
        max(round(s * rate), 1)
        for s in (RUN_IN_S, AHEAD_S, BEHIND_S, SMOOTH_S, BACK_S, ON_S, MARGIN_S)
    )
    scratch = np.empty((spans[1] + spans[2] + 6, len(PICK_BANDS_HZ) + 1))
    near = pick_changes(x, near, rate, weights)
    onset = np.empty(len(near), dtype=np.int64)
    attack_starts(x, near, b, a, weights, spans, RISE, MOST, scratch, onset)
    return np.maximum.accumulate(onset - np.arange(len(onset))) + np.arange(len(onset))


def _visibility(spectra: Spectra, drum: DrumStroke, explained: Values) -> Values:
    """Share of the stroke in each of PICK_BANDS_HZ, (strokes, bands)."""
    stroke = drum.predicted(explained)
    share = (stroke / np.maximum(stroke + spectra.before, spectra.after)) ** POWER
    columns = []
    for low, high in PICK_BANDS_HZ:
        inside = np.logical_and(low <= CENTRES_HZ, high > CENTRES_HZ)
        inside[LOW + HIGH :] = False
        columns.append(share[:, inside].mean(axis=1))
    return np.ascontiguousarray(np.stack(columns, axis=1)) + 1e-3
