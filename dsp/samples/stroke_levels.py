# SPDX-License-Identifier: GPL-3.0-or-later
"""Levels of strokes as they would be alone: bleed and the tails of earlier strokes taken out.

A stroke's level is its energy over 60 ms (`dsp.samples.level`). In a song other things sound in
these 60 ms. What they bring is told band by band: what sounded just before goes on, falling as fast
as the drum does in as far as it is the drum's own tail; and what a band has above that is the
stroke's, in as far as it fits the stroke that all loud ones share. Softer strokes are duller.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.samples.level import SILENCE_DBFS
from dsp.take import Samples

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

FRAME_S = 0.020
HEAD, LENGTH = 3, 15  # frames: what counts as the stroke, and how long tails are followed
GUARD_S, FADE_S = 16 / 48000, 0.002
EDGES_HZ = np.concatenate([[0.0], np.arange(80.0, 521.0, 40.0), np.geomspace(520.0, 16e3, 17)[1:]])
LOUD_DB = 6.0  # within this of the loudest, strokes teach what the drum's stroke is like
LEAST = 0.02  # of a band's energy that is taken to be the stroke's, whatever sounded before
LOWER, MIDDLE = 0.2, 0.35  # quantiles over strokes and over bands
# A band may lie so far from the shared stroke before it is taken for something else.
BELOW_FIT_DB, ABOVE_FIT_DB = 2.0, 1.0
FALL_DB = 3.0  # a frame, where no stroke is left alone for long enough to tell
# Softer strokes lose highs: dB per octave above 400 Hz, for each dB.
DULLER, SOFTER_AT_MOST_DB = 0.05, 28.0
PASSES = 3


def stroke_levels_dbfs(samples: Samples, onset: Positions, rate: int) -> Values:
    """RMS in dBFS of the first 60 ms of each stroke, with what is not the stroke taken out.

    samples (frames, channels); channels are averaged in power. `onset` int64 (n,), rising.
    """
    if len(onset) == 0:
        return np.zeros(0)
    heard = _hear(samples, onset, rate)
    added = np.maximum(heard.head - heard.before[:, None], LEAST * heard.head)
    levels = _decibels(added.sum(axis=(1, 2)))
    loud = _loud(levels)
    for _ in range(PASSES):
        envelope = _envelope(heard, levels, loud)
        background = _background(heard, envelope, levels)
        own = np.maximum(heard.head - background, LEAST * heard.head).sum(axis=1)
        levels = _fitted(own, background.sum(axis=1), levels, loud)
    span = HEAD * heard.hop * samples.shape[1]
    return np.asarray(np.maximum(levels - 10 * np.log10(span), SILENCE_DBFS))


@dataclass(frozen=True)
class _Heard:
    """Energies by band: `after` (n, LENGTH, bands) in frames from each onset, `before` (n, bands).

    `at` (n,) are the onsets, `hop` the samples of a frame.
    """

    at: Positions
    hop: int
    after: Values
    before: Values

    @property
    def head(self) -> Values:
        """The frames that count as the stroke."""
        return self.after[:, :HEAD]


def _hear(samples: Samples, onset: Positions, rate: int) -> _Heard:
    hop, guard = round(FRAME_S * rate), round(GUARD_S * rate)
    fade = round(FADE_S * rate)
    ahead = np.ones(hop)
    ahead[:fade] = np.sin(np.linspace(0, np.pi / 2, fade)) ** 2
    shape = (len(onset), LENGTH, len(EDGES_HZ))
    after, before = np.zeros(shape), np.zeros((shape[0], shape[2]))
    for n, at in enumerate(onset):
        start = int(at) - guard // 2
        for channel in range(samples.shape[1]):
            part = _padded(samples[:, channel], start, LENGTH * hop).reshape(LENGTH, hop)
            after[n] += _band_energies(part, rate)
            one = _padded(samples[:, channel], start - guard // 2 - hop, hop)
            before[n] += _band_energies((one * ahead)[None], rate)[0]
    least = 1e-12 * max(float(after.max()), 1e-280)
    return _Heard(onset, hop, after + least, before + least)


def _padded(sound: Values, start: int, count: int) -> Values:
    """Samples start … start + count, silence where the track has none."""
    part = np.zeros(count)
    low, high = max(start, 0), max(min(start + count, len(sound)), 0)
    if high > low:
        part[low - start : high - start] = sound[low:high]
    return part


def _band_energies(parts: Values, rate: int) -> Values:
    """Energy of each part (m, n) in each band, (m, bands); their sum is the part's energy."""
    size = 1 << (parts.shape[1] - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(parts, size, axis=1)) ** 2 * (2 / size)
    first = np.searchsorted(np.fft.rfftfreq(size, 1 / rate), EDGES_HZ)
    return np.asarray(np.add.reduceat(spectrum, first, axis=1))


def _decibels(energy: Values) -> Values:
    return np.asarray(10 * np.log10(energy))


def _loud(levels: Values) -> NDArray[np.bool_]:
    return np.asarray(levels >= np.quantile(levels, 0.9) - LOUD_DB)


def _envelope(heard: _Heard, levels: Values, loud: NDArray[np.bool_]) -> Values:
    """How the drum sounds on: dB in each frame and band re a stroke's level, (LENGTH, bands).

    From loud strokes, each as far as the next one; never rising after the first frames.
    """
    following = np.append(np.diff(heard.at), LENGTH * heard.hop)
    envelope = np.empty(heard.after.shape[1:])
    for k in range(LENGTH):
        alone = loud & (following >= (k + 1) * heard.hop)
        if not alone.any():
            envelope[k] = envelope[k - 1] - FALL_DB if k else 0.0
            continue
        relative = _decibels(heard.after[alone, k]) - levels[alone, None]
        # Later frames hold other sounds too: the drum is what is least.
        envelope[k] = np.quantile(relative, 0.5 if k < HEAD else 0.25, axis=0)
        if k >= HEAD:
            envelope[k] = np.minimum(envelope[k], envelope[k - 1])
    return envelope


def _background(heard: _Heard, envelope: Values, levels: Values) -> Values:
    """Energy that would be there without the stroke, (n, HEAD, bands)."""
    tails = np.zeros((len(heard.at), HEAD + 1, envelope.shape[1]))
    for i in range(len(heard.at)):
        for j in range(i - 1, -1, -1):
            since = (heard.at[i] - heard.at[j]) / heard.hop
            if since >= LENGTH:
                break
            frames = np.clip(since + np.arange(-1, HEAD), 0, LENGTH - 1)
            low = np.floor(frames).astype(np.int64)
            part = (frames - low)[:, None]
            high = np.minimum(low + 1, LENGTH - 1)
            fall = envelope[low] * (1 - part) + envelope[high] * part
            tails[i] += 10 ** ((fall + levels[j]) / 10)
    share = np.clip(tails[:, 0] / heard.before, 0, 1)[:, None]
    falls = np.clip(tails[:, 1:] / np.maximum(tails[:, :1], 1e-300), 0, 1)
    return np.asarray(heard.before[:, None] * (share * falls + 1 - share))


def _fitted(own: Values, background: Values, levels: Values, loud: NDArray[np.bool_]) -> Values:
    """Level of each stroke in dB from its energies (n, bands), those held to the shared stroke."""
    # Other sounds only add: among strokes, and among bands, the lower ones are the drum.
    shared = np.quantile(_decibels(own[loud]) - levels[loud, None], LOWER, axis=0)
    octaves = np.maximum(np.log2(np.maximum(EDGES_HZ, 60.0) * 1.2 / 400.0), 0)
    softer = np.clip(np.median(levels[loud]) - levels, 0, SOFTER_AT_MOST_DB)
    shape = 10 ** ((shared - DULLER * octaves * softer[:, None]) / 10)
    shape /= shape.sum(axis=1, keepdims=True)
    seen = shape * 10 ** (levels[:, None] / 10)
    weight = (seen / (seen + background)) ** 2 * np.sqrt(shape)
    lower = _weighted_quantile(_decibels(own / shape), weight, MIDDLE)
    fit = shape * 10 ** (lower[:, None] / 10)
    held = np.clip(own, fit * 10 ** (-BELOW_FIT_DB / 10), fit * 10 ** (ABOVE_FIT_DB / 10))
    clear = fit / (fit + background)
    return _decibels(np.exp(clear * np.log(held) + (1 - clear) * np.log(fit)).sum(axis=1))


def _weighted_quantile(values: Values, weights: Values, share: float) -> Values:
    """Of each row of values (n, k)."""
    order = np.argsort(values, axis=1, kind="stable")
    sums = np.cumsum(np.take_along_axis(weights, order, axis=1), axis=1)
    chosen = (sums >= share * sums[:, -1:]).argmax(axis=1)[:, None]
    found = np.take_along_axis(values, np.take_along_axis(order, chosen, axis=1), axis=1)
    return np.asarray(found[:, 0])
