# SPDX-License-Identifier: GPL-3.0-or-later
"""The bleed under the drum: where it is seen, and what it is in between.

Below 130 Hz a snare drum has a thump and no modes, so all its strokes sound alike there, and kicks
and toms are loud: excess counts early. But a soft stroke that was not found thumps too, and shows
there alone while its drum still rings; that must not pass for a kick.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.bleed.powers import CENTRES_HZ, FRAME_S, Levels, over_bands
from dsp.kernels.bleed import see_bleed, track_bleed

Mask = NDArray[np.bool_]

SEEN_DB = 10.0
# Decays of one drum differ from stroke to stroke where its modes and wires are; there, what only
# falls more slowly than expected is the drum, and bleed is what began after the stroke or with it.
MODES = (CENTRES_HZ > 130) & (CENTRES_HZ < 5000)
WITH_STROKE, HOLD = round(0.040 / FRAME_S), round(0.030 / FRAME_S)
BEGUN_BACK, BEGUN_SKIP = round(0.100 / FRAME_S), round(0.011 / FRAME_S)
MEAN_FRAMES = round(0.006 / FRAME_S)
THUMPS = int((CENTRES_HZ < 130).sum())  # so many lowest bands
SEEN_WITH_STROKE_DB = 6.0  # there, while a stroke's decay has not yet had time to differ
KICK_FRAMES = round(0.033 / FRAME_S)  # kicks and toms last at least so long
SAME_KICK = round(0.008 / FRAME_S)  # a low note's power dips within each period
COVERED_DB = -3.0
SILENT_DB = -20.0  # against the track: a band without bleed of note
RISING_BANDS = 4
# Kicks and toms die away under a stroke as they do beside it, by 60 dB in a second and more (common
# practice, no source); cymbals may go on.
FALL_DB = np.where(CENTRES_HZ < 200, 60.0 * FRAME_S, 0.0)


def track(
    levels: Levels, calm: Levels, drum: Levels, hidden: Mask, bleed: Levels
) -> NDArray[np.bool_]:
    """Track the bleed (frames, bands) dB against a predicted drum, into `bleed`.

    `hidden` (frames,) are frames in which an attack hides it. Returns where the lowest bands
    (frames, THUMPS) exceed the drum by its own thumps.
    """
    seen = np.empty(levels.shape, np.bool_, order="F")
    begin = WITH_STROKE, BEGUN_BACK, BEGUN_SKIP, HOLD
    against = drum.copy(order="K")
    with_stroke = _any_within(hidden, WITH_STROKE - 1, 0)
    against[with_stroke, :THUMPS] -= np.float32(SEEN_DB - SEEN_WITH_STROKE_DB)

    def see(bands: slice) -> None:
        level, quiet, mark = levels[:, bands], calm[:, bands], seen[:, bands]
        see_bleed(level, quiet, against[:, bands], hidden, SEEN_DB, MODES[bands], *begin, mark)

    def follow(bands: slice) -> None:
        level, quiet, mark = levels[:, bands], calm[:, bands], seen[:, bands]
        track_bleed(level, quiet, mark, MEAN_FRAMES, FALL_DB[bands], bleed[:, bands])

    over_bands(see)
    thumps = own_thumps(levels, drum, seen, hidden)
    seen[:, :THUMPS] &= ~thumps
    over_bands(follow)
    return thumps


def own_thumps(levels: Levels, drum: Levels, seen: Mask, hidden: Mask) -> Mask:
    """Excess in the lowest bands, (frames, THUMPS), that is too short for a kick or tom.

    Only where the drum's other bands cover it, and away from strokes: next to one it may be the
    visible rest of a kick.
    """
    power = 10 ** (0.1 * drum.astype(np.float64))
    total = 10 * np.log10(power.sum(axis=1))
    near = _any_within(hidden, WITH_STROKE - 1, SAME_KICK)
    found = np.zeros((len(levels), THUMPS), np.bool_)
    for k in range(THUMPS):
        at = np.flatnonzero(seen[:, k])
        if not len(at):
            continue
        cuts = np.flatnonzero(np.diff(at) > SAME_KICK)
        first = at[np.append(0, cuts + 1)]
        last = at[np.append(cuts, len(at) - 1)]
        other = np.append(0, np.cumsum(near | (levels[:, k] >= total + COVERED_DB)))
        own = (last - first + 1 < KICK_FRAMES) & (other[last + 1] == other[first])
        for a, b in zip(first[own], last[own], strict=True):
            found[a : b + 1, k] = True
    return found & seen[:, :THUMPS]


def raise_where_all_rise(levels: Levels, drum: Levels, bleed: Levels) -> Levels:
    """The drum (frames, bands) dB, louder where the track exceeds it in several bands at once.

    So does a stroke that rings longer than most, or one that was not found. Only bands without
    bleed of note tell, of those with modes or wires: four of them must exceed it by so much.
    """
    over = np.where(bleed < levels + np.float32(SILENT_DB), levels - drum, np.float32(0))[:, MODES]
    rise = np.maximum(np.sort(over, axis=1)[:, -RISING_BANDS], 0)
    return np.asfortranarray(drum + rise[:, None], dtype=np.float32)


def _any_within(flags: Mask, back: int, ahead: int) -> Mask:
    """Whether any of (frames,) flags is true between `back` frames before and `ahead` after."""
    count = np.append(0, np.cumsum(flags))
    frame = np.arange(len(flags))
    low, high = np.maximum(frame - back, 0), np.minimum(frame + ahead + 1, len(flags))
    return np.asarray(count[high] > count[low])
