# SPDX-License-Identifier: GPL-3.0-or-later
"""From one track to its hit map."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dsp.hits.alike import Likeness, align_onsets, compare_onsets
from dsp.hits.arrival import PlaceWeights
from dsp.hits.ends import learn_decay, tell_bleed
from dsp.hits.evidence import (
    Weights,
    load_weights,
    measure_candidates,
    measure_company,
    probability,
    score_of,
)
from dsp.hits.hearing import Heard, hear
from dsp.hits.hitmap import HitMap
from dsp.hits.onset import place_onsets, visibility
from dsp.hits.rises import Energies, find_starts, measure_energies
from dsp.hits.spectra import DrumStroke, Spectra, learn_soft_stroke, learn_stroke, measure_spectra
from dsp.hits.strength import measure_levels, rank_strokes
from dsp.hits.tuning import find_fundamental, find_rings, mode_spectrum
from dsp.take import Samples

Values = NDArray[np.float64]
Sound = NDArray[np.float32] | NDArray[np.float64]
Positions = NDArray[np.int64]

CERTAIN, POSSIBLE = 0.4, 0.08
SURE = float(np.log(CERTAIN / (1 - CERTAIN)))
SPACING_S = 0.012
HOPELESS = 0.005  # what is so unlikely at first look is not looked at again


@dataclass(frozen=True)
class Candidates:
    """Everything that starts in a track, and what tells strokes of the drum from the rest."""

    positions: Positions
    spectra: Spectra
    drum: DrumStroke | None
    measures: Values
    level_db: Values
    rises: Values


def find_hits(samples: Samples, rate: int) -> HitMap:
    """Find every stroke of the drum that a close microphone was put on.

    samples (frames, channels), float64; channels are averaged. The drum is what the loudest sharp
    events share; toms, kick and cymbals, which do not share it, are not hits. Nothing depends on
    the level of the track. See `HitMap` for what is measured.
    """
    heard = hear(samples, rate, lowered=True)
    x, heard_rate = heard.sound, heard.rate
    energies = measure_energies(x, heard_rate)
    weights = load_weights()
    found = look_again(measure_track(x, energies, heard_rate), heard_rate, weights.first)
    if found.drum is None:
        return no_hits(samples, rate, "no strokes found")
    possible = place_possible(x, found, heard_rate, weights.second, weights.place)
    kept = is_stroke(possible, weights.last)
    chosen, onset = possible.index[kept], possible.onset[kept]
    if possible.likeness is not None:
        onset = align_onsets(x, onset, possible.likeness.pick(kept), heard_rate)
    spans = _spans(found, chosen, onset, len(x), heard_rate)
    fundamental = find_fundamental(*mode_spectrum(x, onset, spans, heard_rate))
    if len(chosen) == 0 or np.isnan(fundamental):
        return no_hits(samples, rate, "what starts in this track does not sound like a drum")
    return _assemble(samples, heard, energies, found, chosen, onset, spans, fundamental, rate)


def no_hits(samples: Samples, rate: int, note: str) -> HitMap:
    """A hit map without strokes; all of the track is bleed."""
    none, no_values = np.zeros(0, dtype=np.int64), np.zeros(0)
    bleed, _ = tell_bleed(samples, none, no_values, no_values, rate)
    return HitMap(
        rate, len(samples), none, none, no_values, no_values, none, np.zeros(0, dtype=np.bool_),
        float("nan"), bleed, notes=(note,),
    )  # fmt: skip


def measure_track(x: Sound, energies: Energies, rate: int) -> Candidates:
    """Candidates of x (n,), the drum's stroke learned from them, and their measures."""
    positions, novelty_db, rises = find_starts(x, energies, rate)
    spectra = measure_spectra(x, positions, rate)
    level_db = _added_level(energies, positions)
    drum = learn_stroke(spectra, novelty_db, level_db)
    if drum is None:
        none = np.zeros((len(positions), 0))
        return Candidates(positions, spectra, None, none, level_db, rises)
    everyone = np.arange(len(positions))
    measures = measure_candidates(positions, spectra, drum, rises, level_db, rate, everyone)
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


@dataclass(frozen=True)
class Possible:
    """Candidates that may be strokes: which, where, the second look's score, how they begin."""

    index: Positions
    onset: Positions
    score: Values
    likeness: Likeness | None


def place_possible(
    x: Sound, found: Candidates, rate: int, second: Weights, place: PlaceWeights
) -> Possible:
    """What may be strokes of x (n,), where each starts, and how like the loud ones it begins."""
    assert found.drum is not None
    index = choose(found, rate, second, POSSIBLE)
    visible = visibility(found.spectra.pick(index), found.drum, found.measures[index])
    onset = place_onsets(x, found.positions[index], visible, place, rate)
    score = score_of(found.measures[index], second)
    likeness = compare_onsets(x, onset, found.level_db[index], score >= SURE, rate)
    return Possible(index, onset, score, likeness)


def is_stroke(possible: Possible, last: Weights) -> NDArray[np.bool_]:
    """The last look: a tom or a kick may sound like a stroke, but it does not begin like one."""
    if possible.likeness is None:
        return np.asarray(possible.score >= SURE)
    return probability(np.column_stack([possible.score, possible.likeness.like]), last) >= CERTAIN


def choose(found: Candidates, rate: int, weights: Weights, least: float) -> Positions:
    """Indices of candidates of some certainty, in order: the most certain within each 12 ms."""
    certain = probability(found.measures, weights)
    gap = SPACING_S * rate
    chosen: list[int] = []
    taken = np.zeros(0, dtype=np.int64)
    for index in np.argsort(-certain, kind="stable"):
        if certain[index] < least:
            break
        at = found.positions[index]
        if len(taken) and np.abs(taken - at).min() < gap:
            continue
        taken = np.append(taken, at)
        chosen.append(int(index))
    return np.array(sorted(chosen), dtype=np.int64)


def _spans(
    found: Candidates, chosen: Positions, onset: Positions, frames: int, rate: int
) -> Positions:
    """Samples from each stroke to the next event that could disturb it (loud within 20 dB)."""
    level = found.level_db
    following = np.append(onset[1:], frames)
    spans = following - onset
    for i, index in enumerate(chosen):
        later = slice(index + 1, None)
        loud = (level[later] > level[index] - 20) & (
            found.positions[later] > onset[i] + 0.03 * rate
        )
        if loud.any():
            spans[i] = min(spans[i], found.positions[later][np.argmax(loud)] - onset[i])
    return np.asarray(np.maximum(spans, 0))


def _assemble(
    samples: Samples, heard: Heard, energies: Energies, found: Candidates, chosen: Positions,
    onset: Positions, spans: Positions, fundamental: float, rate: int,
) -> HitMap:  # fmt: skip
    assert found.drum is not None
    strength, velocity, ghost = rank_strokes(
        measure_levels(
            measure_spectra(heard.sound, onset, heard.rate), found.drum, found.measures[chosen]
        )
    )
    full = strength > -6
    decay = learn_decay(energies, onset[full] // energies.hop, spans[full] // energies.hop)
    rings = find_rings(heard.sound, onset[full], spans[full], fundamental, heard.rate)
    inside = samples[heard.first : heard.last]
    at = np.clip(onset * heard.step + heard.offset - heard.first, 0, len(inside) - 1)
    peak = _peaks_dbfs(inside, at, rate)
    typical = float(np.median(peak[full])) if full.any() else float(peak.max())
    bleed, ends = tell_bleed(inside, at, typical + strength, decay, rate)
    return HitMap(
        rate, len(samples), at + heard.first, ends + heard.first, peak, strength, velocity, ghost,
        fundamental, round(bleed, 2) if np.isfinite(bleed) else bleed, rings,
    )  # fmt: skip


def _peaks_dbfs(samples: Samples, onset: Positions, rate: int) -> Values:
    """Sample peak of each stroke within its first 60 ms, or until the next."""
    following = np.append(onset[1:], len(samples))
    stops = np.maximum(np.minimum(following, onset + round(0.06 * rate)), onset + 1)
    peaks = [np.abs(samples[a:b]).max() for a, b in zip(onset, stops, strict=True)]
    return np.asarray(20 * np.log10(np.maximum(peaks, 1e-15)))
