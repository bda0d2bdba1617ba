# SPDX-License-Identifier: GPL-3.0-or-later
"""The lanes that show sound: waveforms, and level before and after."""

from __future__ import annotations

import numpy as np

from dsp.lanes.data import PLOT_COLUMNS, LanesData, WavePeaks
from dsp.lanes.scale import DbScale, TimeScale, signed
from dsp.lanes.sheet import HAIR, INK, SOFT, Sheet
from dsp.lanes.strips import CUT, NOTES_GAP, axis, ground

WAVE = "#3c4750"
BEFORE, BEFORE_LINE = "#cdc8ba", "#8d8778"


def wave(
    sheet: Sheet, time: TimeScale, y: float, height: int, peaks: WavePeaks, top_db: float, gid: str
) -> None:
    """The waveform as its extremes in each column; the lane's edges are ± `top_db` dBFS."""
    ground(sheet, time, y, height)
    middle, reach = y + height / 2, height / 2 - 2
    for below, words in ((0.0, f"{signed(top_db)} dBFS"), (6.0206, signed(top_db - 6))):
        row = middle - reach * 10 ** (-below / 20)
        sheet.lines([(time.left, r, time.right, r) for r in (row, 2 * middle - row)], HAIR)
        sheet.text(
            time.left - 8,
            row + (3 if below == 0 else 0),
            words,
            8.5,
            color=SOFT,
            align="right",
            middle=True,
        )
    peaks = peaks.fitted(PLOT_COLUMNS)
    x = time.columns(len(peaks.low))
    unit = reach / 10 ** (top_db / 20)
    # At least one pixel is inked, so that silence is a line and not nothing.
    top = middle - np.clip(peaks.high * unit, -reach, reach) - 0.5
    bottom = middle - np.clip(peaks.low * unit, -reach, reach) + 0.5
    sheet.area(x, top, bottom, WAVE, gid=gid)


def levels(sheet: Sheet, time: TimeScale, y: float, scale: DbScale, lanes: LanesData) -> None:
    """Peak level of what went in (pale, outlined) and of what came out (dark), in decibels.

    Where single strokes are lost the areas show the quiet moments and the lines the peaks.
    """
    ground(sheet, time, y, scale.height)
    axis(sheet, time, y, scale, "dBFS")
    drawn = []
    for peaks in (lanes.before, lanes.after):
        loud, quiet = peaks.levels(lanes.rate, time.gain_columns)
        drawn.append((time.columns(len(loud)), y + scale.y(loud), y + scale.y(quiet)))
    named = list(zip(("before", "after"), (BEFORE, CUT), (BEFORE_LINE, CUT), drawn, strict=True))
    for name, fill, _, (x, loud, quiet) in named:
        top = quiet if time.coarse else loud
        sheet.area(x, top, np.full(len(x), y + float(scale.height)), fill, gid=f"level.{name}")
    for name, _, color, (x, loud, quiet) in named if time.coarse else named[:1]:
        sheet.path(x, loud, color, 1.6 if time.coarse else 1, gid=f"level.{name}.peaks")
        if time.coarse and name == "before":
            sheet.path(x, quiet, color, 1)
    _level_notes(sheet, time, y, scale, lanes.bleed_dbfs)


def _level_notes(
    sheet: Sheet, time: TimeScale, y: float, scale: DbScale, bleed_dbfs: float | None
) -> None:
    x = time.right + NOTES_GAP
    for row, color, words in ((8.0, BEFORE, "before"), (26.0, CUT, "after")):
        sheet.box(x, y + row, 14, 10, color)
        sheet.text(x + 20, y + row + 5, words, 8.5, middle=True)
    if time.coarse:
        for i, words in enumerate(("lines: strokes", "areas: between")):
            sheet.text(x, y + 54 + 14 * i, words, 8.5, color=SOFT)
    if bleed_dbfs is not None and scale.low < bleed_dbfs < scale.high:
        row = y + float(scale.y(np.array(bleed_dbfs)))
        sheet.lines([(time.left, row, time.right, row)], INK, 1, (5, 4))
        near = max(row, y + (80 if time.coarse else 44))
        sheet.text(x, near, f"bleed {signed(bleed_dbfs)} dBFS", 8.5, middle=True)
