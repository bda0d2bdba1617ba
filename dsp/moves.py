# SPDX-License-Identifier: GPL-3.0-or-later
"""Moves of a fader, and the few points of a gain curve that draw them.

A move starts at a sample, glides from wherever the gain is then to a target in dB, and stays
there until the next move. A move that comes before the last one has arrived takes over from where
that one has got to. Every step that follows strokes decides in moves, so all of them glide alike.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Positions = NDArray[np.int64]
Values = NDArray[np.float64]

TOLERANCE_DB = 0.02  # straight lines stay this near to the exponential that they stand for
SETTLE = 1.5  # time constants in which the last, smallest piece of an exponential is run out


@dataclass(frozen=True)
class Glide:
    """How a move goes.

    `left` gives the part still to go, 1 to 0, at a part of the move's length, 0 to 1; `time`
    (k,) are the parts of the length at which points are set.
    """

    time: Values
    left: Callable[[Values], Values]


def _half_cosine(part: Values) -> Values:
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * np.minimum(part, 1.0)))


SMOOTH = Glide(np.linspace(0.0, 1.0, 9), _half_cosine)  # no corner at either end


@dataclass(frozen=True)
class Moves:
    """Moves of one kind; arrays (m,).

    `start` sample, may lie before the take; `length` samples, at least 1; `target` dB.
    """

    start: Positions
    length: Values
    target: Values
    glide: Glide = SMOOTH


def to(start: Positions, target: float | Values, length: float | Values) -> Moves:
    """Smooth moves to `target` dB that last `length` samples; numbers stand for all moves."""
    shape = start.shape
    return Moves(
        start.astype(np.int64),
        np.maximum(np.broadcast_to(np.asarray(length, float), shape), 1.0),
        np.broadcast_to(np.asarray(target, float), shape),
    )


def approach(start: Positions, target: float, constant: float, depth_db: float) -> Moves:
    """Moves that approach `target` exponentially in dB with a time constant in samples.

    63.2 % of the way is done after `constant`. The lines stay within TOLERANCE_DB of the
    exponential for moves of up to `depth_db`, which are drawn by pieces of equal error: what is
    left falls as the square of the pieces left.
    """
    pieces = max(2, math.ceil(math.sqrt(0.6 * abs(depth_db) / TOLERANCE_DB)))
    drawn = -2.0 * np.log(1.0 - np.arange(pieces) / pieces)
    last = float(drawn[-1])
    whole = last + SETTLE

    def left(part: Values) -> Values:
        time = part * whole
        line = math.exp(-last) * (whole - time) / SETTLE
        return np.where(time < last, np.exp(-time), np.maximum(line, 0.0))

    glide = Glide(np.append(drawn, whole) / whole, left)
    length = np.full(start.shape, max(1.0, constant * whole))
    return Moves(start.astype(np.int64), length, np.full(start.shape, float(target)), glide)


def switched(
    opens: Positions,
    stops: Positions,
    gains: tuple[float, float],
    constants: tuple[float, float],
    back_by: Positions | None = None,
    back: Values | None = None,
) -> list[Moves]:
    """Moves of a gain with two states, (rest, active) dB in `gains`.

    Active from each of `opens` (m,), at rest from each of `stops` (m,), approached with the time
    constants (attack, release) in samples. A stop that the next opening overtakes is left out, and
    so is what stops before it opens.
    With `back_by` (m,) and `back` (m,), the gain is at rest again at each of those samples, on a
    smooth way of that many samples; what would begin later than that way does not happen.
    """
    if len(opens) == 0:
        return []
    rest, active = gains
    never = np.iinfo(np.int64).max
    until = opens if back_by is None or back is None else back_by - np.rint(back).astype(np.int64)
    until = np.append(until[1:], never)
    depth = active - rest
    happens = (opens < until) & (opens < stops)
    opening = select(approach(opens, active, constants[0], depth), happens)
    closing = approach(stops, rest, constants[1], depth)
    late = happens & (closing.start + closing.length > until)
    closing = select(closing, happens & (closing.start < until))
    if back is None:
        return [closing, opening]
    returning = to(until, rest, np.append(back[1:], 1.0))
    return [closing, opening, select(returning, late & (until < never))]


def select(moves: Moves, keep: NDArray[np.bool_]) -> Moves:
    """The moves for which `keep` (m,) is true."""
    return Moves(moves.start[keep], moves.length[keep], moves.target[keep], moves.glide)


def trace(moves: Sequence[Moves], first_db: float, frames: int) -> tuple[Positions, Values]:
    """Points (p,) and gains in dB (p,) of all moves together, from `first_db` on.

    Of moves that start at the same sample, the one listed last counts. Points lie within the
    take, 0 … frames − 1, and rise strictly.
    """
    start = np.concatenate([np.zeros(0, np.int64), *(m.start for m in moves)])
    kind = np.repeat(np.arange(len(moves)), [len(m.start) for m in moves])
    order = np.argsort(start, kind="stable")
    order = order[np.append(np.diff(start[order]) > 0, True)[: len(order)]]
    if len(order) == 0:
        return np.zeros(1, np.int64), np.array([first_db])
    start, kind = start[order], kind[order]
    length = np.concatenate([m.length for m in moves])[order]
    target = np.concatenate([m.target for m in moves])[order]
    stop = np.append(start[1:], np.iinfo(np.int64).max)
    origin = _origins(moves, kind, (stop - start) / length, target, first_db)
    at, db = [], []
    for k, group in enumerate(moves):
        rows = np.flatnonzero(kind == k)
        steps = np.rint(length[rows, None] * group.glide.time).astype(np.int64)
        steps[:, -1] = np.ceil(length[rows])
        left = group.glide.left(steps / length[rows, None])
        positions = start[rows, None] + steps
        values = target[rows, None] + (origin[rows] - target[rows])[:, None] * left
        keep = positions < stop[rows, None]
        keep[:, 1:] &= np.diff(positions, axis=1) > 0
        at.append(positions[keep])
        db.append(values[keep])
    return within(np.concatenate(at), np.concatenate(db), frames)


def _origins(
    moves: Sequence[Moves], kind: Positions, spent: Values, target: Values, first_db: float
) -> Values:
    """The gain from which each move starts; `spent` is the part of its length it is given."""
    left = np.empty(len(kind))
    for k, group in enumerate(moves):
        rows = kind == k
        left[rows] = group.glide.left(spent[rows])
    origin = np.empty(len(kind))
    level = first_db
    for i, (goal, rest) in enumerate(zip(target.tolist(), left.tolist(), strict=True)):
        origin[i] = level
        level = goal + (level - goal) * rest
    return origin


def within(at: Positions, db: Values, frames: int) -> tuple[Positions, Values]:
    """Sorted points, cut to the take, without those that say nothing new."""
    order = np.argsort(at, kind="stable")
    at, db = at[order], db[order]
    edges = np.array([0, frames - 1])[: min(frames, 2)]
    inside = (at > 0) & (at < frames - 1)
    new_at = np.concatenate([edges[:1], at[inside], edges[1:]])
    new_db = np.concatenate(
        [np.interp(edges[:1], at, db), db[inside], np.interp(edges[1:], at, db)]
    )
    same = np.diff(new_db) == 0.0
    keep = np.ones(len(new_at), bool)
    keep[1:-1] = ~(same[:-1] & same[1:])
    return new_at[keep].astype(np.int64), new_db[keep]
