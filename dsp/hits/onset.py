# SPDX-License-Identifier: GPL-3.0-or-later
"""Onsets to the sample: where a stroke's first sound arrives."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.hits.arrival import Places, PlaceWeights, choose_places, measure_places
from dsp.hits.rises import PICK_BANDS_HZ, PICK_Q, band_sections, pick_changes
from dsp.hits.spectra import CENTRES_HZ, HIGH, LOW, DrumStroke, Spectra
from dsp.kernels.arrivals import attack_starts
from dsp.threads import over_chunks

Values = NDArray[np.float64]
Sound = NDArray[np.float32] | NDArray[np.float64]
Positions = NDArray[np.int64]

RUN_IN_S, AHEAD_S, BEHIND_S, SMOOTH_S = 0.005, 0.007, 0.009, 0.00025
BACK_S, ON_S, MARGIN_S = 0.0016, 0.0004, 0.002
RISE = 0.05  # of the stroke's own highest power in a band: what is softer is not its attack
POWER = 2.0  # bands that something else fills count for little
MOST = 0.6  # of the bands, by weight, must have begun
DULL, BRIGHT = (1.0, 1.0, 0.2, 0.0), (0.0, 0.2, 1.0, 1.0)  # weights of PICK_BANDS_HZ
SAME_S = 0.0015  # places no further apart mean one event
CHUNK = 64
ASIDE_S = 0.004  # changes are also sought around places this far to either side


def place_onsets(
    x: Sound, near: Positions, visible: Values, weights: PlaceWeights, rate: int
) -> Positions:
    """First sample of each stroke of x (n,), strictly rising.

    `near` are their candidates, `visible` how far each stroke stands out in each band (see
    `visibility`): bands that something else fills count for little.
    """
    places = propose_places(x, near, visible, rate)
    best = choose_places(measure_places(x, places, visible, rate), weights)
    order = np.arange(len(near))
    # Methods are in the order of their exactness: the first that means the same event has it.
    same = np.abs(places.at - places.at[order, best][:, None]) <= SAME_S * rate
    onset = places.at[order, np.argmax(same, axis=1)]
    return np.asarray(np.maximum.accumulate(onset - order) + order)


def propose_places(x: Sound, near: Positions, visible: Values, rate: int) -> Places:
    """Where each stroke may arrive, by several methods in the order that `Places` names."""
    own = visible[:, None, :]
    others = np.tile(np.array([DULL, BRIGHT]), (len(near), 1, 1))
    change, dull, bright = pick_changes(x, near, np.concatenate([own, others], axis=1), rate).T
    start = _attack_starts(x, np.ascontiguousarray(change), visible, rate)
    aside = round(ASIDE_S * rate)
    besides = [
        pick_changes(x, np.clip(near + step, 0, len(x) - 1), own, rate)[:, 0]
        for step in (-aside, aside)
    ]
    return Places(np.stack([start, near, change, dull, bright, *besides], axis=1))


def _attack_starts(x: Sound, near: Positions, visible: Values, rate: int) -> Positions:
    b, a = band_sections(PICK_BANDS_HZ, rate, PICK_Q)
    spans = tuple(
        max(round(s * rate), 1)
        for s in (RUN_IN_S, AHEAD_S, BEHIND_S, SMOOTH_S, BACK_S, ON_S, MARGIN_S)
    )
    start = np.empty(len(near), dtype=np.int64)

    def work(part: slice) -> None:
        scratch = np.empty((spans[1] + spans[2], len(PICK_BANDS_HZ) + 1))
        attack_starts(x, near[part], b, a, visible[part], spans, RISE, MOST, scratch, start[part])

    over_chunks(work, len(near), CHUNK)
    return start


def visibility(spectra: Spectra, drum: DrumStroke, explained: Values) -> Values:
    """Share of the stroke in each of PICK_BANDS_HZ, (strokes, bands)."""
    stroke = drum.predicted(explained)
    share = (stroke / np.maximum(stroke + spectra.before, spectra.after)) ** POWER
    columns = []
    for low, high in PICK_BANDS_HZ:
        inside = np.logical_and(low <= CENTRES_HZ, high > CENTRES_HZ)
        inside[LOW + HIGH :] = False
        columns.append(share[:, inside].mean(axis=1))
    return np.ascontiguousarray(np.stack(columns, axis=1)) + 1e-3
