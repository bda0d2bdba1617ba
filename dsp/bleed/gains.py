# SPDX-License-Identifier: GPL-3.0-or-later
r"""From levels of track, drum and bleed to gains.

The track's power is P = D + B. What is known of D is a log-normal around the predicted drum,
of B one around the tracked bleed. The gain is the mean of (D / P)^γ over all D + B = P, weighed by
both; γ = 1 would be Wiener's gain, which leaves strokes too soft, γ = ½ keeps the drum's power.
Where the bleed is far below, an unexpectedly loud band is a loud stroke and stays; where the
bleed could be that loud, it is taken down to what the drum should be.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dsp.bleed.decay import learn_shape
from dsp.bleed.drum import AHEAD, SOFT_DB, Strokes, measure_attacks, predict
from dsp.bleed.powers import FRAME_S, Levels, over_bands
from dsp.bleed.tails import Prediction
from dsp.bleed.tracking import THUMPS, raise_where_all_rise, track
from dsp.kernels.bleed import keep_needed, look_up

Values = NDArray[np.float64]

DRUM_SPREAD_DB, BLEED_SPREAD_DB = 2.5, 6.0
EXPONENT = 0.85
ROUNDS = 2
SEEN_IN_ATTACK_DB, SEEN_IN_SOFT_DB, SEEN_IN_THUMP_DB = 9.0, 5.0, 3.0
HIDE_FRAMES = 4
GUARDED = round(0.048 / FRAME_S)  # 40 ms, and what the filters smear into them
BEFORE = round(0.030 / FRAME_S)
TAIL_FACTOR = 2.0  # what is within 3 dB of the previous stroke's predicted tail is that tail
CLEAN_DB = -18.0  # bleed so far below a stroke leaves its first 40 ms alone
NEEDLESS_DB, NEEDED_DB = -24.0, -18.0  # bleed against the drum, over all bands
DRUM_STEPS = np.arange(-60.0, 40.5, 0.5)
BLEED_STEPS = np.arange(-80.0, 40.5, 1.0)


@lru_cache(maxsize=1)
def gain_table() -> Values:
    """Gain in dB over drum − track (DRUM_STEPS) and bleed − track (BLEED_STEPS), both in dB."""
    low = 10 ** (np.arange(-60.0, -0.2, 0.25) / 10)
    share = np.unique(np.concatenate([low, 1 - low]))
    width = np.gradient(share)
    drum = 10 * np.log10(share)[None] - DRUM_STEPS[:, None]
    bleed = 10 * np.log10(1 - share)[None] - BLEED_STEPS[:, None]
    of_drum = np.exp(-0.5 * (drum / DRUM_SPREAD_DB) ** 2) / share
    of_bleed = np.exp(-0.5 * (bleed / BLEED_SPREAD_DB) ** 2) / (1 - share)
    # einsum without BLAS: the same bits whatever the number of threads
    top = np.einsum("du,bu,u->db", of_drum, of_bleed, width * share**EXPONENT)
    bottom = np.einsum("du,bu,u->db", of_drum, of_bleed, width)
    ratio = 10 ** (0.1 * (BLEED_STEPS[None] - DRUM_STEPS[:, None]))
    plain = (1 / (1 + ratio)) ** EXPONENT
    known = bottom > 1e-200
    return 20 * np.log10(np.where(known, top / np.where(known, bottom, 1.0), plain) + 1e-12)


def decide_gains(
    levels: Levels,
    calm: Levels,
    strokes: Strokes,
    sounding: NDArray[np.bool_],
    fundamental: float,
) -> tuple[Levels, Levels, Levels]:
    """Gains in dB, predicted drum and tracked bleed, each (frames, bands).

    `sounding` (frames,) says roughly where strokes sound, to begin with: bleed is first learned
    from the gaps, the drum from its strokes less that bleed, then the bleed from all that the
    drum does not explain, and so on.
    """
    frames = len(levels)
    hidden = np.zeros(frames, np.bool_)
    for first in strokes.first:
        hidden[max(first - AHEAD, 0) : first + HIDE_FRAMES] = True
    drum = np.where(sounding[:, None], np.float32(300), np.float32(-300)) + np.zeros_like(levels)
    bleed = np.empty_like(levels)
    earlier: Prediction | None = None
    for _ in range(ROUNDS):
        track(levels, calm, drum, hidden, bleed)
        attack = measure_attacks(levels, bleed, strokes, fundamental)
        shape = learn_shape(levels, bleed, attack, strokes, earlier)
        drum = predict(strokes, attack, shape, frames)
        earlier = Prediction(drum, shape)
    drum = raise_where_all_rise(levels, drum, bleed)
    thumps = track(levels, calm, drum, hidden, bleed)
    np.maximum(drum[:, :THUMPS], levels[:, :THUMPS], out=drum[:, :THUMPS], where=thumps)
    _guard_attacks(levels, drum, bleed, strokes)
    gains = np.empty_like(levels)
    table, grid = gain_table(), (DRUM_STEPS[0], 0.5, BLEED_STEPS[0], 1.0)

    def work(bands: slice) -> None:
        look_up(table, *grid, levels[:, bands], drum[:, bands], bleed[:, bands], gains[:, bands])

    over_bands(work)
    _open_clean_attacks(gains, drum, bleed, strokes)
    # A predicted drum errs by decibels in each band; where bleed is inaudible, so must that be.
    keep_needed(drum, bleed, NEEDLESS_DB, NEEDED_DB, gains)
    return gains, drum, bleed


def _guarded(strokes: Strokes, n: int, frames: int) -> slice:
    """Frames of a stroke's first 40 ms, or until the next."""
    first = int(strokes.first[n])
    return slice(max(first - 2, 0), min(first + GUARDED, int(strokes.following[n]), frames))


def _guard_attacks(levels: Levels, drum: Levels, bleed: Levels, strokes: Strokes) -> None:
    """In the first 40 ms, only bleed that sounded just before, or cannot be the drum, counts."""
    for n in range(len(strokes)):
        part = _guarded(strokes, n, len(levels))
        stop = max(int(strokes.first[n]) - 3, 1)
        before = slice(max(stop - BEFORE, 0), stop)
        heard = (10 ** (0.1 * levels[before].astype(np.float64))).mean(axis=0)
        own = (10 ** (0.1 * drum[before].astype(np.float64))).mean(axis=0)
        carried = 10 * np.log10(np.maximum(heard - TAIL_FACTOR * own, 1e-14))
        soft = strokes.strength_db[n] <= SOFT_DB
        margin = np.full(levels.shape[1], SEEN_IN_SOFT_DB if soft else SEEN_IN_ATTACK_DB)
        margin[:THUMPS] = SEEN_IN_THUMP_DB
        seen = levels[part] > drum[part] + margin
        bleed[part] = np.where(seen, bleed[part], np.minimum(bleed[part], carried))


def _open_clean_attacks(gains: Levels, drum: Levels, bleed: Levels, strokes: Strokes) -> None:
    """Leave the first 40 ms of a stroke alone, to the bit, where bleed hardly matters."""
    for n in range(len(strokes)):
        part = _guarded(strokes, n, len(gains))
        own = (10 ** (0.1 * drum[part].astype(np.float64))).sum()
        other = (10 ** (0.1 * bleed[part].astype(np.float64))).sum()
        if other < 10 ** (0.1 * CLEAN_DB) * own:
            gains[part] = 0.0
