# SPDX-License-Identifier: GPL-3.0-or-later
"""The hit map of strokes that were given: what is not said of them is measured in the audio."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from dsp.hits.ends import learn_decay, tell_bleed
from dsp.hits.evidence import explain
from dsp.hits.find import no_hits
from dsp.hits.hearing import Heard, hear
from dsp.hits.hitmap import HitMap
from dsp.hits.hits_file import UNKNOWN, GivenHits
from dsp.hits.rises import Energies, find_candidates, mean_rise, measure_energies, rises_db
from dsp.hits.spectra import DrumStroke, Spectra, learn_soft_stroke, learn_stroke, measure_spectra
from dsp.hits.strength import measure_levels, rank_strokes
from dsp.hits.tuning import find_fundamental, find_rings, mode_spectrum
from dsp.take import Samples

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

SURELY_DB = 100.0  # rise, and probability 1: what was given is a stroke
PEAK_S, LOUDNESS_S = 0.060, 0.010
EVENT_AFTER_S, EVENT_WITHIN_DB = 0.03, 20.0  # what ends the part of a stroke that is its own


def hits_from(samples: Samples, rate: int, given: GivenHits) -> HitMap:
    """The hit map of the given strokes of samples (frames, channels).

    Their places stand as given, and so do velocity and ghost where they were said; level, end,
    tuning and bleed are measured as they are for strokes that are found.
    """
    if len(given) == 0:
        none = no_hits(samples, rate, f"no strokes in {given.name}")
        return replace(none, given_by=(given.name, given.sha256))
    measured = _measured(samples, rate, given.onset)
    velocity = np.where(given.velocity == UNKNOWN, measured.velocity, given.velocity)
    ghost = np.where(given.ghost == UNKNOWN, measured.ghost, given.ghost == 1)
    by = (given.name, given.sha256)
    return replace(measured, velocity=velocity, ghost=ghost, given_by=by)


def _measured(samples: Samples, rate: int, onset: Positions) -> HitMap:
    heard = hear(samples, rate)
    at = np.clip(onset - heard.offset, 0, len(heard.sound) - 1)
    energies = measure_energies(heard.sound, rate)
    spectra = measure_spectra(heard.sound, at, rate)
    strength, velocity, ghost = rank_strokes(_levels(spectra))
    full = strength > -6
    spans = _spans(heard, energies, at, rate)
    fundamental = find_fundamental(*mode_spectrum(heard.sound, at, spans, rate))
    decay = learn_decay(energies, at[full] // energies.hop, spans[full] // energies.hop)
    tuned = np.isfinite(fundamental)
    rings = find_rings(heard.sound, at[full], spans[full], fundamental, rate) if tuned else ()
    peak = _peaks_dbfs(samples, onset, rate)
    typical = float(np.median(peak[full])) if full.any() else float(peak.max())
    bleed, ends = tell_bleed(samples, onset, typical + strength, decay, rate)
    return HitMap(
        rate, len(samples), onset, ends, peak, strength, velocity, ghost,
        fundamental, round(bleed, 2) if np.isfinite(bleed) else bleed, rings,
    )  # fmt: skip


def _levels(spectra: Spectra) -> Values:
    """Level of each stroke in dB, by the stroke that the given ones share."""
    novelty = spectra.novelty
    own = 10 * np.log10(novelty.sum(axis=1))
    drum = learn_stroke(spectra, np.full(len(own), SURELY_DB), own)
    if drum is None:
        drum = DrumStroke(novelty.mean(axis=0), np.arange(len(own)))
    explained = explain(spectra, drum)
    drum = learn_soft_stroke(spectra, drum, explained, np.ones(len(own)))
    return measure_levels(spectra, drum, explain(spectra, drum))


def _spans(heard: Heard, energies: Energies, at: Positions, rate: int) -> Positions:
    """Samples from each stroke to the next event that could disturb it, a stroke or another."""
    following = np.append(at[1:], len(heard.sound))
    spans = following - at
    rises = rises_db(energies)
    others = find_candidates(heard.sound, energies, mean_rise(rises), rate)
    power = energies.power.sum(axis=1)
    after = round(LOUDNESS_S * rate) // energies.hop

    def level(place: int) -> float:
        frame = min(place // energies.hop, len(power) - 1)
        return 10 * float(np.log10(power[frame : frame + after].mean() + 1e-300))

    loudness = np.array([level(int(other)) for other in others])
    for i, place in enumerate(at):
        later = (others > place + EVENT_AFTER_S * rate) & (others < following[i])
        loud = others[later & (loudness > level(int(place)) - EVENT_WITHIN_DB)]
        if len(loud):
            spans[i] = loud[0] - place
    return np.asarray(np.maximum(spans, 0))


def _peaks_dbfs(samples: Samples, onset: Positions, rate: int) -> Values:
    """Sample peak of each stroke within its first 60 ms, or until the next."""
    following = np.append(onset[1:], len(samples))
    stops = np.minimum(following, onset + round(PEAK_S * rate))
    peaks = [np.abs(samples[a:b]).max() for a, b in zip(onset, stops, strict=True)]
    return np.asarray(20 * np.log10(np.maximum(peaks, 1e-15)))
