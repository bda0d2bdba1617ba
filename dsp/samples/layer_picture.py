# SPDX-License-Identifier: GPL-3.0-or-later
"""The picture of a layer: levels, moves and gains stroke by stroke, and the worst ones close up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.lanes.scale import DbScale, TimeScale, clock, signed
from dsp.lanes.sheet import DRAWING, HAIR, INK, LANE, SOFT, Sheet, save_png
from dsp.lanes.strips import CUT, LIFT, axis, ground
from dsp.samples.layer_check import StrokeCheck, summary, worst
from dsp.take import Samples

Values = NDArray[np.float64]

MARGIN, LEFT, RIGHT, PLOT = 24, 190, 40, 1160
HEADER, GAP, FOOT = 84, 30, 0
LEVELS, MOVES, GAINS = 190, 96, 120
CELL, CELL_GAP, CELL_WORDS = 130, 18, 64
CELLS = 4  # in a row
MANY = 250  # strokes, of which smaller marks are told apart
BEFORE_S, AFTER_S = 0.002, 0.022
REAL, LAYER = INK, LIFT


def draw_layer(
    path: Path,
    name: str,
    checks: Sequence[StrokeCheck],
    real: Samples,
    stem: Samples,
    rate: int,
) -> None:
    """Write the picture as PNG; `real` and `stem` (frames, channels) are the close ones."""
    save_png(build_figure(name, checks, real, stem, rate), path)


def build_figure(
    name: str, checks: Sequence[StrokeCheck], real: Samples, stem: Samples, rate: int
) -> Any:
    """The picture as a `matplotlib.figure.Figure`; what is drawn is found by its `gid`.

    `levels.real`, `levels.layer`, `moves`, `gains.up`, `gains.down`, `gains.tail`; close-ups:
    `NUMBER real`, `NUMBER layer`.
    """
    shown = _shown(checks)
    rows = -(-len(shown) // CELLS)
    height = HEADER + LEVELS + MOVES + GAINS + 3 * GAP + rows * (CELL + CELL_WORDS) + FOOT
    with DRAWING:
        sheet = Sheet(LEFT + PLOT + RIGHT, height)
        time = TimeScale(0.0, len(real) / rate, LEFT, LEFT + PLOT)
        at = time.x(np.array([check.sample for check in checks], dtype=float) / rate)
        _header(sheet, name, checks)
        y = _levels(sheet, time, HEADER, checks, at)
        y = _moves(sheet, time, y, checks, at)
        y = _gains(sheet, time, y, checks, at)
        for place, number in enumerate(shown):
            row, column = divmod(place, CELLS)
            wide = (PLOT - (CELLS - 1) * CELL_GAP) // CELLS
            x = LEFT + column * (wide + CELL_GAP)
            top = y + GAP + row * (CELL + CELL_WORDS)
            _close_up(sheet, x, top, wide, number, checks[number], real, stem, rate)
        if shown:
            heading = "the worst" if worst(checks) else "the loudest"
            _label(
                sheet,
                y + GAP,
                heading,
                f"first {1000 * AFTER_S:.0f} ms",
                "dark: real, brown: layer",
            )
        return sheet.figure


def _shown(checks: Sequence[StrokeCheck]) -> list[int]:
    """The strokes close up: the worst, or where none is bad the loudest."""
    loudest = sorted(range(len(checks)), key=lambda n: -checks[n].real_dbfs)[:CELLS]
    return worst(checks) or sorted(loudest)


def _header(sheet: Sheet, name: str, checks: Sequence[StrokeCheck]) -> None:
    sheet.text(MARGIN, 36, sheet.fit(name, sheet.width - 2 * MARGIN, 17, True), 17, bold=True)
    numbers = summary(checks)
    if not checks:
        sheet.text(MARGIN, 58, "no strokes", 9, color=SOFT)
        return
    words = (
        f"{numbers['strokes']} strokes; median level {numbers['level_apart_db']:.2f} dB from the "
        f"real one, correlation of attacks {numbers['correlation']:.2f}, "
        f"moved by {numbers['moved_samples']:.0f} samples"
    )
    if numbers["add_at_fundamental"] is not None:
        words += (
            f"; {100 * numbers['add_at_fundamental']:.1f} % add to the real one at the fundamental"
        )
    sheet.text(MARGIN, 58, words, 9, color=SOFT)


def _label(sheet: Sheet, y: float, name: str, *lines: str) -> None:
    sheet.text(MARGIN, y + 12, name, 10, bold=True)
    row = y + 28
    for words in lines:
        for line in sheet.wrap(words, LEFT - MARGIN - 66, 8.5, False, 4):
            sheet.text(MARGIN, row, line, 8.5, color=SOFT)
            row += 13


def _levels(
    sheet: Sheet, time: TimeScale, y: int, checks: Sequence[StrokeCheck], at: Values
) -> int:
    real = np.array([check.real_dbfs for check in checks])
    layer = np.array([check.layer_dbfs for check in checks])
    both = np.concatenate([real, layer, [-20.0]])
    low = max(6 * math.floor((both.min() - 2) / 6), -96)
    scale = DbScale(low, 6 * math.ceil((both.max() + 2) / 6), LEVELS)
    _lane(sheet, time, y, scale, "dBFS")
    sheet.lines(np.stack([at, y + scale.y(real), at, y + scale.y(layer)], axis=1), HAIR)
    size = 4 if len(checks) > MANY else 7
    sheet.marks(at, y + scale.y(real), "o", size, REAL, REAL, gid="levels.real")
    sheet.marks(at, y + scale.y(layer), "o", size + 1, "none", LAYER, gid="levels.layer")
    _label(sheet, y, "levels", "RMS of 60 ms")
    for row, (words, fill, edge) in enumerate((("real", REAL, REAL), ("layer", "none", LAYER))):
        place = y + 50 + 16 * row
        sheet.marks(np.array([MARGIN + 5.0]), np.array([place]), "o", 7, fill, edge)
        sheet.text(MARGIN + 16, place, words, 8.5, middle=True)
    for x, words in time.ticks():
        sheet.text(x, y + LEVELS + 16, words, 8.5, color=SOFT, align="center")
    return y + LEVELS + GAP


def _moves(sheet: Sheet, time: TimeScale, y: int, checks: Sequence[StrokeCheck], at: Values) -> int:
    delay = np.array([check.delay_samples for check in checks], dtype=float)
    most = max(4.0, float(np.abs(delay).max(initial=0.0)) * 1.1)
    scale = DbScale(-most, most, MOVES)
    _lane(sheet, time, y, scale, "")
    sheet.marks(
        at, y + scale.y(delay), "o", 4 if len(checks) > MANY else 6, LAYER, LAYER, gid="moves"
    )
    _label(sheet, y, "moved", "samples, + is later, so that attacks fall together")
    return y + MOVES + GAP


def _gains(sheet: Sheet, time: TimeScale, y: int, checks: Sequence[StrokeCheck], at: Values) -> int:
    gains = np.array([check.fundamental_db or 0.0 for check in checks])
    tail = np.array([check.in_tail for check in checks], dtype=np.bool_)
    scale = DbScale(min(-6.0, max(float(gains.min(initial=0.0)), -18.0)), 7.0, GAINS)
    _lane(sheet, time, y, scale, "dB")
    zero = y + float(scale.y(np.zeros(1))[0])
    kinds = (
        ("up", ~tail & (gains >= 0), LIFT),
        ("down", ~tail & (gains < 0), CUT),
        ("tail", tail, SOFT),
    )
    for kind, which, color in kinds:
        top = y + scale.y(gains[which])
        ends = np.stack([at[which], np.full(int(which.sum()), zero), at[which], top], axis=1)
        sheet.lines(ends, color, 1 if len(checks) > MANY else 3, gid=f"gains.{kind}")
    _label(
        sheet, y, "fundamental", "what the sum gains there", "over the louder of both;",
        "grey: in an earlier tail",
    )  # fmt: skip
    return y + GAINS


def _lane(sheet: Sheet, time: TimeScale, y: int, scale: DbScale, unit: str) -> None:
    ground(sheet, time, y, scale.height)
    axis(sheet, time, y, scale, unit)


def _close_up(
    sheet: Sheet,
    x: int,
    y: int,
    wide: int,
    number: int,
    check: StrokeCheck,
    real: Samples,
    stem: Samples,
    rate: int,
) -> None:
    """Both waveforms on one scale, from a little before the stroke."""
    sheet.box(x, y, wide, CELL, LANE)
    middle = y + CELL / 2
    sheet.lines([(x, middle, x + wide, middle)], HAIR)
    start = check.sample - round(BEFORE_S * rate)
    stop = min(check.sample + round(AFTER_S * rate), len(real))
    span = round((BEFORE_S + AFTER_S) * rate)
    parts = [one[max(start, 0) : stop].mean(axis=1) for one in (real, stem)]
    highest = max(float(np.abs(part).max(initial=0.0)) for part in parts) or 1.0
    places = x + (np.arange(max(start, 0), stop) - start) / span * wide
    for part, color, kind in zip(parts, (REAL, LAYER), ("real", "layer"), strict=True):
        height = middle - part / highest * (CELL / 2 - 6)
        sheet.path(places, height, color, 1.2, gid=f"{number + 1} {kind}")
    title = f"stroke {number + 1} at {clock(check.sample / rate, 0.01)}"
    sheet.text(x, y + CELL + 15, title, 8.5, bold=True)
    said = check.wrong or [
        f"layer {signed(check.apart_db)} dB, moved {signed(check.delay_samples)}"
    ]
    for row, words in enumerate(said[:3]):
        sheet.text(x, y + CELL + 28 + 12 * row, words, 8.5, color=SOFT)
