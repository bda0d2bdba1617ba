# SPDX-License-Identifier: GPL-3.0-or-later
"""Onsets to the sample: where a stroke's first sound arrives."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dsp.hits.rises import PICK_BANDS_HZ, pick_changes
from dsp.hits.spectra import CENTRES_HZ, HIGH, LOW, TILT_OCTAVES

if TYPE_CHECKING:
    from dsp.hits.find import Candidates

Values = NDArray[np.float64]
Positions = NDArray[np.int64]


def place_onsets(x: Values, found: Candidates, chosen: Positions, rate: int) -> Positions:
    """First sample of each chosen stroke of x (n,), strictly rising.

    The change of variance again, each band now counted by how far this stroke stands out in it
    against what was there before, so that a hat a moment earlier is not taken for the stroke.
    """
    weights = _visibility(found, chosen)
    onset = pick_changes(x, found.positions[chosen], rate, weights)
    return np.maximum.accumulate(onset + np.arange(len(onset))) - np.arange(len(onset))


def _visibility(found: Candidates, chosen: Positions) -> Values:
    """Share of stroke in each of PICK_BANDS_HZ, (chosen, bands)."""
    assert found.drum is not None
    level, tilt = found.measures[chosen, 4:5], found.measures[chosen, 5:6]
    stroke = found.drum.power * 10 ** ((level - tilt * TILT_OCTAVES) / 10)
    share = stroke / (stroke + found.spectra.before[chosen])
    columns = []
    for low, high in PICK_BANDS_HZ:
        inside = (CENTRES_HZ >= low) & (CENTRES_HZ < high)
        inside[LOW + HIGH :] = False
        columns.append(share[:, inside].mean(axis=1))
    return np.ascontiguousarray(np.stack(columns, axis=1)) + 1e-3
