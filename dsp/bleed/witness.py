# SPDX-License-Identifier: GPL-3.0-or-later
r"""What other microphones of the take tell about the bleed under the strokes.

In a band, at a time, the track's power is P = D + B, and that of a witness W = a·D + B / h. Between
strokes D is nothing, so h = P / W can be read there; it is learned over the witness's level, since
what is loud in it (a crash) may reach the track another way than what is soft. The leak a of the
drum into the witness is the low side of W / P where the drum dominates, since bleed can only add.
W / P says then which share of P is the drum's, as far as the witness hears the two otherwise than
the track does: where a·h = 1 (the same microphone twice) it says nothing, and changes nothing.

Only powers are compared, smoothed over 20 ms: phase does not matter, and of times only the delay
of each witness, within a few milliseconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.bleed.drum import AHEAD, Strokes
from dsp.bleed.powers import FRAME_S, Levels
from dsp.kernels.bleed import levels_of, weigh_shares

Values = NDArray[np.float64]
Mask = NDArray[np.bool_]

SLOW_FRAMES = 13  # on top of the smoothing that levels have
FARTHEST = round(0.0107 / FRAME_S)  # delay of a witness, either way
SEEN_DB = 10.0  # above the drum: what sounds there is bleed
EVERY = 3  # frames in a gap: neighbours say the same
LEAST_SEEN, LEAST_HEARD = 20, 20
ALIKE_DB, STEP_DB = 6.0, 3.0
LEAST_SPREAD_DB, MOST_SPREAD_DB = 3.0, 8.0
DOMINATES_DB = 6.0
LEAK_QUANTILE = 0.2
PARTS_S = (-0.1, 0.012, 0.040, 0.100)  # the leak at the attack, in the body, in the decay
LEAK_LEARNED_S = 0.400
APART_DB = 3.0  # least by which a witness must hear drum and bleed otherwise than the track
VARIES_DB = 6.0
DRUM_ABOVE_DB = -25.0  # of the track; below, bleed is all there is
SHARES = np.linspace(-14.0, 14.0, 57)  # logits


@dataclass(frozen=True)
class Testimony:
    """One witness, in dB, (frames, bands) each but `spread` (bands,), infinite where it is mute.

    `level` is what it hears; `transfer` that of the bleed from it to the track; `leak` that of the
    drum from the track to it.
    """

    level: Levels
    transfer: Levels
    leak: Levels
    spread: Values


def hear(level: Levels, heard: Levels, drum: Levels, hidden: Mask, strokes: Strokes) -> Testimony:
    """Learn what a witness with levels `heard` says about a track of `level`, (frames, bands) dB.

    `drum` is the predicted drum in dB, `hidden` (frames,) where a stroke begins.
    """
    own = slowly(level)
    other = _aligned(slowly(heard), own)
    ratio = own - other
    seen = (level > drum + SEEN_DB) & ~hidden[:, None]
    transfer, spread = _transfer(ratio, other, seen)
    leak = _leak(ratio, transfer, drum - level, strokes)
    return Testimony(other, transfer, leak, spread)


def slowly(level: Levels) -> Levels:
    """Level in dB smoothed over 20 ms, in power."""
    window = np.hanning(SLOW_FRAMES + 2)[1:-1]
    out = np.empty_like(level)
    levels_of(10 ** (0.1 * level.astype(np.float64)), window / window.sum(), 0.0, out)
    return out


def delay_of(heard: Levels, own: Levels) -> int:
    """Frames by which `heard` comes later than `own`: where their rises are most alike."""
    rise = [np.maximum(np.diff(one.mean(axis=1)), 0).astype(np.float64) for one in (own, heard)]
    inside = slice(FARTHEST, max(len(rise[0]) - FARTHEST, FARTHEST))
    lags = sorted(range(-FARTHEST, FARTHEST + 1), key=abs)
    alike = [float((rise[0][inside] * np.roll(rise[1], -lag)[inside]).sum()) for lag in lags]
    return lags[int(np.argmax(alike))]


def _aligned(heard: Levels, own: Levels) -> Levels:
    """`heard` with its delay taken out; at the ends, the first or last frame is held."""
    at = np.arange(len(heard)) + delay_of(heard, own)
    return heard[np.clip(at, 0, len(heard) - 1)]


def _transfer(ratio: Levels, heard: Levels, seen: Mask) -> tuple[Levels, Values]:
    """Track over witness in the gaps, by the witness's level, and what is left unexplained."""
    transfer, spread = np.zeros_like(ratio), np.full(ratio.shape[1], np.inf)
    for k in range(ratio.shape[1]):
        at = np.flatnonzero(seen[:, k])[::EVERY]
        if len(at) < LEAST_SEEN:
            continue
        known, value = heard[at, k].astype(np.float64), ratio[at, k].astype(np.float64)
        steps = np.arange(known.min(), known.max() + STEP_DB, STEP_DB)
        weight = np.exp(-0.5 * ((steps[:, None] - known) / ALIKE_DB) ** 2) + 1e-9
        curve = (weight * value).sum(axis=1) / weight.sum(axis=1)
        transfer[:, k] = np.interp(heard[:, k], steps, curve)
        left = float(np.sqrt(np.mean((value - transfer[at, k]) ** 2)))
        if left <= MOST_SPREAD_DB:
            spread[k] = max(left, LEAST_SPREAD_DB)
    return transfer, spread


def _leak(ratio: Levels, transfer: Levels, drum: Levels, strokes: Strokes) -> Levels:
    """Witness over track where the drum is most of both, by the time since the onset.

    `drum` is the predicted drum against the track. A band in which the drum never is most of both
    leaks as its neighbours do, at most so much that the witness can still tell.
    """
    since = _since(len(ratio), strokes)
    part = np.searchsorted(PARTS_S, since, "right") - 1
    most = (drum > -DOMINATES_DB) & (ratio > transfer + APART_DB)
    most &= (since < LEAK_LEARNED_S)[:, None]
    typical = np.full(ratio.shape[1], np.nan)
    for k in range(len(typical)):
        if most[:, k].sum() >= LEAST_HEARD:
            typical[k] = np.quantile(-ratio[most[:, k], k], LEAK_QUANTILE)
    known = np.flatnonzero(np.isfinite(typical))
    limit = -np.median(transfer, axis=0) - APART_DB
    if len(known) == 0:
        return np.full_like(ratio, np.inf)
    typical = np.minimum(np.interp(np.arange(len(typical)), known, typical[known]), limit)
    leak = np.repeat(typical[None].astype(np.float32), len(ratio), axis=0)
    for p in range(len(PARTS_S)):
        for k in range(len(typical)):
            at = most[:, k] & (part == p)
            if at.sum() >= LEAST_HEARD:
                own = float(np.quantile(-ratio[at, k], LEAK_QUANTILE))
                leak[part == p, k] = min(own, typical[k] + VARIES_DB)
    return leak


def _since(frames: int, strokes: Strokes) -> Values:
    """Seconds since the last onset; a stroke begins a little early, as the filters smear it."""
    since = np.full(frames, np.inf)
    for first, following in zip(strokes.first, strokes.following, strict=True):
        start = max(first - AHEAD, 0)
        since[start:following] = (np.arange(start, following) - first) * FRAME_S
    return since


def weigh(
    level: Levels,
    drum: Levels,
    bleed: Levels,
    witnesses: Sequence[Testimony],
    spreads: tuple[float, float, float],
    gains: Levels,
) -> None:
    """Change `gains`, all (frames, bands) in dB, to what the witnesses leave likely.

    `spreads` are those of drum and bleed in dB, and the exponent γ: the gain is the mean of
    (D / P)^γ as without witnesses, the likelihood of what each of them hears being one factor more.
    """
    share = 1 / (1 + np.exp(-SHARES))
    for k in range(level.shape[1]):
        said = [one for one in witnesses if np.isfinite(one.spread[k])]
        if not said:
            continue
        weigh_shares(
            share,
            level[:, k],
            drum[:, k],
            bleed[:, k],
            np.array([one.level[:, k] for one in said], np.float64),
            np.array([one.leak[:, k] for one in said], np.float64),
            np.array([one.transfer[:, k] for one in said], np.float64),
            np.array([one.spread[k] for one in said]),
            spreads[0],
            spreads[1],
            spreads[2],
            DRUM_ABOVE_DB,
            gains[:, k],
        )
