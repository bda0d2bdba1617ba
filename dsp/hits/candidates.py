# SPDX-License-Identifier: GPL-3.0-or-later
"""Everything that starts in a track, and what tells strokes of the drum from the rest."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dsp.hits.evidence import (
    MEASURES,
    Weights,
    measure_candidates,
    measure_company,
    probability,
    score_of,
)
from dsp.hits.rises import Energies, Rises, find_starts, measure_energies, measure_rises
from dsp.hits.spectra import DrumStroke, Spectra, learn_soft_stroke, learn_stroke, measure_spectra

Values = NDArray[np.float64]
Sound = NDArray[np.float32] | NDArray[np.float64]
Positions = NDArray[np.int64]

SPACING_S = 0.012
HOPELESS = 0.005  # what is so unlikely at first look is not looked at again


@dataclass(frozen=True)
class Track:
    """What strokes are found in: `sound` (n,) at `rate`, its energies and how they rise."""

    sound: Sound
    rate: int
    energies: Energies
    rises: Rises


@dataclass(frozen=True)
class Candidates:
    """What starts in a track, in rising order, and what tells strokes of the drum from the rest."""

    positions: Positions
    spectra: Spectra
    drum: DrumStroke | None
    measures: Values
    level_db: Values
    rises: Values


def listen(sound: Sound, rate: int) -> Track:
    """Measure what strokes are found by in sound (n,)."""
    energies = measure_energies(sound, rate)
    return Track(sound, rate, energies, measure_rises(energies))


def measure_track(track: Track) -> Candidates:
    """Candidates of a track, the drum's stroke learned from them, and their measures."""
    positions, novelty_db, rises = find_starts(track.sound, track.energies, track.rises, track.rate)
    spectra = measure_spectra(track.sound, positions, track.rate)
    level_db = _added_level(track.energies, positions)
    drum = learn_stroke(spectra, novelty_db, level_db)
    if drum is None:
        none = np.zeros((len(positions), 0))
        return Candidates(positions, spectra, None, none, level_db, rises)
    everyone = np.arange(len(positions))
    measures = measure_candidates(positions, spectra, drum, rises, level_db, track.rate, everyone)
    return Candidates(positions, spectra, drum, measures, level_db, rises)


def look_again(found: Candidates, rate: int, weights: Weights) -> Candidates:
    """Learn the drum's soft strokes from those that are sure, and measure against them too.

    Adds measures of what sounds alike.
    """
    if found.drum is None:
        return found
    score = score_of(found.measures, weights)
    certain = 1 / (1 + np.exp(-score))
    undecided = np.flatnonzero(certain > HOPELESS)
    drum = learn_soft_stroke(found.spectra, found.drum, found.measures, certain)
    measures = found.measures.copy()
    if drum.soft is not None:
        measures[undecided] = measure_candidates(
            found.positions,
            found.spectra.pick(undecided),
            drum,
            found.rises,
            found.level_db,
            rate,
            undecided,
        )
    alike = measure_company(found.positions, found.spectra, score, undecided, rate)
    return replace(found, drum=drum, measures=np.column_stack([measures, alike]))


def add_candidates(
    track: Track, found: Candidates, new: Positions, first: Weights
) -> tuple[Candidates, Positions, Positions]:
    """Candidates with `new` ones among them, measured as at a second look.

    Also the indices that the known ones and the new ones have now.
    """
    assert found.drum is not None
    known = len(found.positions)
    positions = np.append(found.positions, new)
    order = np.argsort(positions, kind="stable")
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    old, added = place[:known], place[known:]
    mine = measure_spectra(track.sound, new, track.rate)
    spectra = Spectra(
        np.vstack([found.spectra.after, mine.after])[order],
        np.vstack([found.spectra.before, mine.before])[order],
    )
    positions = positions[order]
    level_db = np.append(found.level_db, _added_level(track.energies, new))[order]
    rises = np.vstack([found.rises, track.rises.steepest(new // track.energies.hop)[1]])[order]

    def measure(drum: DrumStroke) -> Values:
        return measure_candidates(positions, mine, drum, rises, level_db, track.rate, added)

    score = np.empty(len(positions))
    score[old] = found.measures[:, len(MEASURES)]
    score[added] = score_of(measure(replace(found.drum, soft=None)), first)
    alike = measure_company(positions, spectra, score, added, track.rate)
    measures = np.empty((len(positions), found.measures.shape[1]))
    measures[old] = found.measures
    measures[added] = np.column_stack([measure(found.drum), alike[added]])
    drum = replace(found.drum, members=old[found.drum.members])
    return Candidates(positions, spectra, drum, measures, level_db, rises), old, added


def choose(found: Candidates, rate: int, weights: Weights, least: float) -> Positions:
    """Indices of candidates of some certainty, in order: the most certain within each 12 ms."""
    return keep_apart(found.positions, probability(found.measures, weights), least, rate)


def keep_apart(at: Positions, certain: Values, least: float, rate: int) -> Positions:
    """Indices of what is at least so certain, in order: the most certain within each 12 ms."""
    gap = SPACING_S * rate
    chosen: list[int] = []
    taken = np.zeros(0, dtype=np.int64)
    for index in np.argsort(-certain, kind="stable"):
        if certain[index] < least:
            break
        if len(taken) and np.abs(taken - at[index]).min() < gap:
            continue
        taken = np.append(taken, at[index])
        chosen.append(int(index))
    return np.array(sorted(chosen), dtype=np.int64)


def _added_level(energies: Energies, positions: Positions) -> Values:
    """Level in dB of the 10 ms behind each position above 300 Hz, less what was there before."""
    frame = np.minimum(positions // energies.hop, len(energies.power) - 1)
    power = np.zeros(len(energies.power))
    for band in energies.power.T[1:]:
        power += band
    sums = np.concatenate([[0.0], np.cumsum(power)])

    def mean(start: int, stop: int) -> Values:
        a, b = np.clip(frame + start, 0, len(power)), np.clip(frame + stop, 0, len(power))
        return np.asarray((sums[b] - sums[a]) / (stop - start))

    added = np.maximum(mean(0, 20) - mean(-20, -2), 1e-12 * power.max(initial=0.0) + 1e-300)
    return np.asarray(10 * np.log10(added))
