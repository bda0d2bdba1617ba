# SPDX-License-Identifier: GPL-3.0-or-later
"""How the drum decays in each band, learned from its strokes.

Bleed can only add: of many strokes the quieter ones are the drum, and what is no louder than bleed
usually is may be bleed. Where the drum is no longer known, it goes on as it fell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.bleed.drum import AHEAD, BELOW_DB_PER_OCTAVE, Attack, Strokes
from dsp.bleed.powers import CENTRES_HZ, FLOOR_DB, FRAME_S, Levels
from dsp.bleed.tails import LENGTH, Prediction, tell_tails

Values = NDArray[np.float64]

MOST_STROKES = 64
AGAINST_EXCESS = 4.0  # dB of visibility that a dB of other sound under a stroke outweighs
CYMBALS_HZ = 1200.0
USUAL_QUANTILE, OVER_USUAL_DB = 0.3, 4.0
PEAK_S, LEAST_REACH_S, LEAST_KNOWN_S = 0.060, 0.030, 0.040
SWELLS_S, SWELL_DB = 0.2, 8.0  # a band may swell until then, by more than so much
STEP_S, STEP_DB = 0.008, 4.0  # but not so fast: that would be a hat
BUMP_DB, BEAT_DB = 8.0, 12.0  # of a decay, and of one whose modes beat: below CYMBALS_HZ
GONE_DB = 40.0
THUMP_T60_S = 0.35
SKIRT_DB = 3.0
STEEPEST, STEEPEST_UNKNOWN = 750.0, 150.0  # dB a second
# Slowest decay: modes of the heads ring up to 2 s, wires and what is above the heads' modes half a
# second; what falls more slowly is a cymbal's (common practice, no source).
SLOWEST = np.interp(np.log(CENTRES_HZ), np.log([600.0, 3000.0]), [30.0, 120.0])


def learn_shape(
    levels: Levels,
    bleed: Levels,
    attack: Attack,
    strokes: Strokes,
    earlier: Prediction | None = None,
) -> Values:
    """Decay in dB against the attack level, (AHEAD + LENGTH, bands); AHEAD rows come first.

    Where cymbals sound, a stroke tells of the decay while it is clearly louder than bleed usually
    is: a cymbal struck with every stroke would pass for a slow decay. With an `earlier` prediction
    a stroke tells of it through softer ones, too, in bands that have modes.
    """
    count = min(max(8, len(strokes) // 2), MOST_STROKES, len(strokes))
    shape = np.empty((AHEAD + LENGTH, levels.shape[1]))
    for k in range(levels.shape[1]):
        usual = -np.inf
        if CENTRES_HZ[k] >= CYMBALS_HZ:
            usual = float(np.quantile(bleed[:, k], USUAL_QUANTILE)) + OVER_USUAL_DB
        seen = attack.visible[:, k] - AGAINST_EXCESS * attack.excess[:, k]
        chosen = np.argsort(-seen, kind="stable")[:count]
        known = None if attack.thump[k] else earlier
        level = levels[:, k].astype(np.float64)
        rows = tell_tails(level, k, chosen, attack, strokes, usual, known)
        shape[:, k] = _decay(rows, k, bool(attack.wild[k]))
    hold_thumps(shape, attack)
    return shape


def hold_thumps(shape: Values, attack: Attack) -> None:
    """Where a kick hides a band below the modes, the drum goes on as its lowest mode's skirt."""
    for k in range(shape.shape[1] - 2, -1, -1):
        if attack.wild[k]:
            higher = float(np.median(attack.level[:, k + 1] - attack.level[:, k]))
            octaves = float(np.log2(CENTRES_HZ[k + 1] / CENTRES_HZ[k]))
            skirt = shape[AHEAD:, k + 1] + higher - BELOW_DB_PER_OCTAVE * octaves - SKIRT_DB
            np.maximum(shape[AHEAD:, k], skirt, out=shape[AHEAD:, k])


def _decay(rows: Values, band: int, wild: bool) -> Values:
    """One band's decay: a low quantile over strokes while it is the drum, then its own slope."""
    low = _low_quantile(rows, 0.3) + 1.5
    known = np.flatnonzero(np.isfinite(rows).sum(axis=0) >= max(2, min(len(rows) // 3, 5)))
    reach = round(LEAST_REACH_S / FRAME_S)
    if len(known):
        reach = max(int(known[-1]) + 1 - AHEAD, reach)
        low[: known[-1]] = np.interp(np.arange(known[-1]), known, low[known])
    width = int(np.clip(3.0 / CENTRES_HZ[band], 0.006, 0.03) / FRAME_S) | 1
    body = low[AHEAD : AHEAD + reach]
    smooth = np.convolve(body, np.ones(width) / width, "same") if reach > width else body
    peak = int(np.argmax(body[: min(round(PEAK_S / FRAME_S), reach - 2)]))
    inside = smooth[: max(reach - width // 2, peak + 3)]
    peak = _swell(inside, peak)
    hull = lower_hull(_until_gone(inside[peak:]))
    length = max(int((hull > hull.min() + 5.0).sum()), round(LEAST_KNOWN_S / FRAME_S))
    falling = hull[: min(length, len(hull))]
    carried = _carry_on(falling, LENGTH - peak, float(SLOWEST[band]))
    kept = low[AHEAD + peak : AHEAD + peak + len(falling)]
    bump = BEAT_DB if CENTRES_HZ[band] < CYMBALS_HZ else BUMP_DB
    carried[: len(falling)] = np.minimum(kept, carried[: len(falling)] + bump)
    decay = np.concatenate([low[: AHEAD + peak], carried])
    if wild:
        after = np.maximum(np.arange(LENGTH) - round(0.012 / FRAME_S), 0)
        decay[AHEAD:] = np.minimum(decay[AHEAD:], 3 - 60 * FRAME_S / THUMP_T60_S * after)
    return decay


def _swell(body: Values, peak: int) -> int:
    """Where a band (frames,) dB that swells after its attack's `peak` is loudest; else `peak`.

    Wires may answer late, and by much; a hat that is struck after each stroke comes at once.
    """
    step = round(STEP_S / FRAME_S)
    low = peak + int(np.argmin(body[peak : peak + round(PEAK_S / FRAME_S)]))
    late = body[low : round(SWELLS_S / FRAME_S)]
    if len(late) < 2 * step:
        return peak
    rise = late[: int(np.argmax(late)) + 1]
    if len(rise) <= step or rise[-1] - rise[0] < SWELL_DB:
        return peak
    return peak if (rise[step:] - rise[:-step]).max() > STEP_DB else low + len(rise) - 1


def _low_quantile(rows: Values, share: float) -> Values:
    """Quantile over strokes of those that reach each time; FLOOR_DB where none does."""
    count = np.isfinite(rows).sum(axis=0)
    ranked = np.sort(rows, axis=0)  # what is not known sorts last
    place = share * np.maximum(count - 1, 0)
    below = place.astype(int)
    above = np.minimum(below + 1, np.maximum(count - 1, 0))
    column = np.arange(rows.shape[1])
    low, high = ranked[below, column], ranked[above, column]
    return np.where(count > 0, low + (place - below) * (high - low), FLOOR_DB)


def _carry_on(falling: Values, count: int, slowest: float) -> Values:
    """Go on at the slope of the last 100 ms, at most 750 and at least `slowest` dB a second.

    Where strokes follow each other so closely that less than 120 ms are known, at most 150: a
    drum's first fall is not its last.
    """
    steepest = STEEPEST if len(falling) * FRAME_S >= 0.12 else STEEPEST_UNKNOWN
    start = max(0, len(falling) - round(0.1 / FRAME_S))
    slope = -60 * FRAME_S / 0.35
    if falling[0] - falling[-1] >= 6 and len(falling) - 1 > start:
        slope = (falling[-1] - falling[start]) / (len(falling) - 1 - start)
    slope = float(np.clip(slope, -steepest * FRAME_S, -slowest * FRAME_S))
    more = falling[-1] + slope * np.arange(1, max(count - len(falling), 0) + 1)
    return np.concatenate([falling, more])[:count]


def _until_gone(falling: Values) -> Values:
    """The part of a decay (frames,) dB that can be heard: how it ends bends no hull."""
    least = falling[0] - GONE_DB
    heard = np.maximum(falling, least)
    return np.asarray(heard[: max(int((heard > least).sum()) + 1, 3)])


def lower_hull(y: Values) -> Values:
    """Largest convex curve that nowhere exceeds y (n,), and does not rise: a plain decay."""
    corners: list[int] = []
    for i in range(len(y)):
        while len(corners) >= 2:
            a, b = corners[-2:]
            if (y[b] - y[a]) * (i - a) < (y[i] - y[a]) * (b - a):
                break
            corners.pop()
        corners.append(i)
    return np.minimum.accumulate(np.interp(np.arange(len(y)), corners, y[corners]))
