# SPDX-License-Identifier: GPL-3.0-or-later
"""From one track to its hit map."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.hits.alike import align_onsets
from dsp.hits.candidates import Candidates, listen, look_again, measure_track
from dsp.hits.ends import learn_decay, tell_bleed
from dsp.hits.evidence import load_weights
from dsp.hits.hearing import Heard, hear
from dsp.hits.hitmap import HitMap
from dsp.hits.possible import find_possible, is_stroke
from dsp.hits.rises import Energies
from dsp.hits.spectra import measure_spectra
from dsp.hits.strength import blend_levels, measure_levels, rank_strokes, trusted_bands
from dsp.hits.tuning import find_fundamental, find_rings, mode_spectrum
from dsp.take import Samples

Values = NDArray[np.float64]
Positions = NDArray[np.int64]


def find_hits(samples: Samples, rate: int) -> HitMap:
    """Find every stroke of the drum that a close microphone was put on.

    samples (frames, channels), float64; channels are averaged. The drum is what the loudest sharp
    events share; toms, kick and cymbals, which do not share it, are not hits. Nothing depends on
    the level of the track. See `HitMap` for what is measured.
    """
    heard = hear(samples, rate, lowered=True)
    track = listen(heard.sound, heard.rate)
    weights = load_weights()
    found = look_again(measure_track(track), track.rate, weights.first)
    if found.drum is None:
        return no_hits(samples, rate, "no strokes found")
    found, possible = find_possible(track, found, weights)
    kept = is_stroke(possible, weights.last, track.rate)
    chosen, onset = possible.index[kept], possible.onset[kept]
    if possible.likeness is not None:
        onset = align_onsets(track.sound, onset, possible.likeness.pick(kept), track.rate)
    spans = _spans(found, chosen, onset, len(track.sound), track.rate)
    fundamental = find_fundamental(*mode_spectrum(track.sound, onset, spans, track.rate))
    if len(chosen) == 0 or np.isnan(fundamental):
        return no_hits(samples, rate, "what starts in this track does not sound like a drum")
    return _assemble(
        samples,
        heard,
        track.energies,
        found,
        chosen,
        onset,
        spans,
        fundamental,
        rate,
        possible.wave(kept),
    )


def no_hits(samples: Samples, rate: int, note: str) -> HitMap:
    """A hit map without strokes; all of the track is bleed."""
    none, no_values = np.zeros(0, dtype=np.int64), np.zeros(0)
    bleed, _ = tell_bleed(samples, none, no_values, no_values, rate)
    return HitMap(
        rate, len(samples), none, none, no_values, no_values, none, np.zeros(0, dtype=np.bool_),
        float("nan"), bleed, notes=(note,),
    )  # fmt: skip


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
    wave: tuple[Values, Values] | None,
) -> HitMap:  # fmt: skip
    assert found.drum is not None
    told = (measure_spectra(heard.sound, onset, heard.rate), found.drum, found.measures[chosen])
    level = measure_levels(*told)
    if wave is not None:
        level = blend_levels(level, trusted_bands(*told), *wave)
    strength, velocity, ghost = rank_strokes(level)
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
