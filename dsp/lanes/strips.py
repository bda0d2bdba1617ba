# SPDX-License-Identifier: GPL-3.0-or-later
"""Lanes that show data over time: strokes, gain as a line, gain per band as colour."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from dsp.curves import GainCurve, ShapedBands, SplitBands
from dsp.hits.hitmap import HitMap
from dsp.lanes.data import PLOT_COLUMNS, CurveColumns, stretched
from dsp.lanes.scale import DbScale, TimeScale, gain_colors, hertz, signed
from dsp.lanes.sheet import GUIDE, HAIR, INK, LANE, SOFT, Sheet

Values = NDArray[np.float64]

NOTES_GAP = 12  # from a lane's right end to the words beside it
CUT, CUT_TINT = "#2f5d85", "#c4d3de"
LIFT, LIFT_TINT = "#8f5a14", "#ecd5ac"
RANGE = "#e6e2d6"
HITS_HEIGHT, STEM_DB, FULL_STEM = 72, 42.0, 40.0
DENSE_PIXELS = 8.0  # strokes nearer than this (median) are drawn as ticks without heads


def ground(sheet: Sheet, time: TimeScale, y: float, height: float) -> None:
    """Paint an empty lane with its lines at the ticks of time."""
    sheet.box(time.left, y, time.right - time.left, height, LANE)
    sheet.lines([(x, y, x, y + height) for x, _ in time.ticks()], GUIDE)


def axis(sheet: Sheet, time: TimeScale, y: float, scale: DbScale, unit: str) -> None:
    """Write decibels left of a lane, with a hair line for each; the top one carries the unit."""
    ticks = scale.ticks()
    rows = scale.y(np.array(ticks)) + y
    sheet.lines([(time.left, row, time.right, row) for row in rows], HAIR)
    for db, row in zip(ticks, rows, strict=True):
        words = f"{signed(db)} {unit}" if db == ticks[-1] else signed(db)
        sheet.text(time.left - 8, row, words, 8.5, color=SOFT, align="right", middle=True)


def notes(sheet: Sheet, time: TimeScale, y: float, name: str, words: list[str]) -> None:
    """Lines of words right of a lane, under a name if there is one."""
    x = time.right + NOTES_GAP
    for row, line in enumerate([name, *words] if name else words):
        bold = bool(name) and row == 0
        for part in sheet.wrap(line, sheet.width - x - 10, 8.5, bold, 1):
            sheet.text(x, y + 11 + 14 * row, part, 8.5, bold=bold, color=INK if bold else SOFT)


def hits(sheet: Sheet, time: TimeScale, y: float, found: HitMap) -> None:
    """Full strokes stand on the line, ghost notes hang from it; length is strength in dB."""
    line = y + FULL_STEM + 6
    sheet.lines([(time.left, line, time.right, line)], SOFT)
    seconds = found.time_s
    shown = (seconds >= time.start_s) & (seconds < time.stop_s)
    x = time.x(seconds[shown])
    strength = np.nan_to_num(found.strength_db[shown], nan=-STEM_DB, neginf=-STEM_DB, posinf=0)
    length = np.clip((strength + STEM_DB) / STEM_DB, 0.08, 1.1) * FULL_STEM
    ghost = found.ghost[shown]
    dense = len(x) > 1 and float(np.median(np.diff(x))) < DENSE_PIXELS
    for kind, up, shape, fill, name in (
        (~ghost, 1.0, "^", INK, "full"),
        (ghost, -1.0, "o", LANE, "ghost"),
    ):
        tip = line - up * np.minimum(length[kind], FULL_STEM if up > 0 else 24.0)
        stems = np.column_stack([x[kind], np.full(kind.sum(), line), x[kind], tip])
        sheet.lines(stems, INK if up > 0 else SOFT, 1 if dense else 1.5, gid=f"hits.{name}")
        if not dense and kind.any():
            sheet.marks(x[kind], tip, shape, 7, fill, INK, gid=f"hits.{name}.heads")
    _hit_notes(sheet, time, line, int((~ghost).sum()), int(ghost.sum()))


def _hit_notes(sheet: Sheet, time: TimeScale, line: float, full: int, ghost: int) -> None:
    x = time.right + NOTES_GAP
    for row, shape, fill, words in (
        (line - 12, "^", INK, f"{full} full, up"),
        (line + 14, "o", LANE, f"{ghost} ghost, down"),
    ):
        sheet.marks(np.array([x + 4.0]), np.array([row]), shape, 7, fill, INK)
        sheet.text(x + 14, row, words, 8.5, color=INK, middle=True)


def gain(
    sheet: Sheet,
    time: TimeScale,
    y: float,
    scale: DbScale,
    columns: CurveColumns,
    band: int,
    gid: str,
) -> None:
    """One band's gain: the average as a line with the area from 0 dB, its range behind it."""
    ground(sheet, time, y, scale.height)
    axis(sheet, time, y, scale, "dB")
    x = time.columns(len(columns.mean))
    low, high = y + scale.y(columns.low[:, band]), y + scale.y(columns.high[:, band])
    mean, zero = (
        y + scale.y(columns.mean[:, band]),
        np.full(len(x), y + float(scale.y(np.array(0.0)))),
    )
    cut, lift = columns.low[:, band].min() < 0, columns.high[:, band].max() > 0
    if float((low - high).max()) > 0:
        sheet.area(x, high - 0.5, low + 0.5, RANGE, gid=f"{gid}.range")
    if cut:
        sheet.area(x, zero, np.maximum(mean, zero), CUT_TINT, gid=f"{gid}.cut")
    if lift:
        sheet.area(x, np.minimum(mean, zero), zero, LIFT_TINT, gid=f"{gid}.lift")
    sheet.lines([(time.left, zero[0], time.right, zero[0])], SOFT)
    color = CUT if cut and not lift else LIFT if lift and not cut else INK
    sheet.path(x, mean, color, 1.6, gid=f"{gid}.mean")


def gain_notes(curve: GainCurve, columns: CurveColumns, band: int) -> tuple[str, list[str]]:
    """What is said beside a gain lane: name of the band, where it lies, how far the gain goes."""
    name, words = "", []
    if isinstance(curve.layout, ShapedBands):
        shaped = curve.layout.bands[band]
        name, words = shaped.name, [f"{shaped.shape}, {hertz(shaped.at_hz)}"]
    low, high = signed(columns.low[:, band].min()), signed(columns.high[:, band].max())
    if low == high:
        return name, [*words, f"{low} dB throughout"]
    return name, [*words, f"{low} to {high} dB"]


HEAT_LEAST, HEAT_MOST = 110, 160


def heat_height(layout: SplitBands) -> int:
    """Pixels a heat map needs."""
    return min(max(9 * (len(layout.crossovers_hz) + 1), HEAT_LEAST), HEAT_MOST)


def heat(
    sheet: Sheet, time: TimeScale, y: int, curve: GainCurve, columns: CurveColumns, gid: str
) -> None:
    """Gain per band over time as colour, frequency upwards on an octave scale."""
    assert isinstance(curve.layout, SplitBands)
    height = heat_height(curve.layout)
    edges = np.array(curve.layout.crossovers_hz)
    bottom = edges[0] / 2
    top = max(min(edges[-1] * 2, curve.rate / 2), edges[-1] * 1.1)
    rows_hz = top * (bottom / top) ** ((np.arange(height) + 0.5) / height)
    largest = max(float(np.abs(columns.mean).max()), LEAST_HEAT_DB)
    wide = stretched(len(columns.mean), PLOT_COLUMNS)
    colors = gain_colors(columns.mean.T[:, wide], largest)
    sheet.image(round(time.left), y, colors[np.searchsorted(edges, rows_hz)], gid=f"{gid}.heat")
    sheet.lines([(time.left, y + height, time.right, y + height)], HAIR)
    octave = height / math.log2(top / bottom)
    marked = [
        hz for hz in (50, 100, 200, 500, 1000, 2000, 5000, 10000) if bottom * 1.1 < hz < top * 0.95
    ]
    last = math.inf
    for hz in marked:
        row = y + math.log2(top / hz) * octave
        if last - row >= 15:
            sheet.text(time.left - 8, row, hertz(hz), 8.5, color=SOFT, align="right", middle=True)
            sheet.lines([(time.left - 4, row, time.left, row)], SOFT)
            last = row
    signs = columns.mean.min() < 0 or columns.mean.max() <= 0, columns.mean.max() > 0
    _color_key(sheet, time, y, height, largest, *signs)


LEAST_HEAT_DB = 3.0


def _color_key(
    sheet: Sheet, time: TimeScale, y: int, height: int, largest: float, cut: bool, lift: bool
) -> None:
    scale = DbScale(-largest if cut else 0.0, largest if lift else 0.0, height)
    shown = np.linspace(scale.high, scale.low, height)
    x = round(time.right) + NOTES_GAP
    sheet.image(x, y, np.repeat(gain_colors(shown, largest)[:, None], 14, axis=1))
    ticks = scale.ticks(20)
    for db in ticks:
        row = y + float(np.clip(scale.y(np.array(db)), 5, height - 5))
        sheet.text(
            x + 20,
            row,
            f"{signed(db)} dB" if db == ticks[-1] else signed(db),
            8.5,
            color=SOFT,
            middle=True,
        )
    sheet.text(x + 60, y + 11, "gain", 8.5, bold=True)
