# SPDX-License-Identifier: GPL-3.0-or-later
"""The picture of a set: all strokes by strength, and each chosen one in every microphone."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.lanes.scale import DbScale, TimeScale, signed
from dsp.lanes.sheet import DRAWING, GUIDE, HAIR, INK, LANE, SOFT, Sheet, save_png
from dsp.lanes.strips import CUT, CUT_TINT, axis, ground
from dsp.samples.sample_set import Sample, SampleSet
from dsp.samples.set_files import Pieces
from dsp.samples.survey import Survey
from dsp.take import Samples

Values = NDArray[np.float64]

MARGIN, LEFT, RIGHT, HEADER = 24, 190, 210, 78
STROKES_HEIGHT, AXIS = 300, 34
ROW, ROW_GAP = 34, 4
WHOLE, ZOOM, CELL_GAP, MICROPHONE_GAP = 250, 150, 8, 26
LEAST_PLOT = 700
ZOOM_S = 0.016  # the way of sound through five metres
ARRIVAL = "#a4361e"


def draw_set(path: Path, samples: SampleSet, survey: Survey, pieces: Pieces) -> None:
    """Write the picture as PNG. `pieces` holds (frames, channels) by microphone and stroke."""
    save_png(build_figure(samples, survey, pieces), path)


def build_figure(samples: SampleSet, survey: Survey, pieces: Pieces) -> Any:
    """The picture as a `matplotlib.figure.Figure`; what is drawn is found by its `gid`.

    Strokes: `strokes.chosen`, `strokes.clean`, `strokes.faulty`; waves: `STAGE.ALTERNATE
    MICROPHONE` and the same with ` arrival`.
    """
    count = len(samples.microphones)
    cells = count * (WHOLE + CELL_GAP + ZOOM) + (count - 1) * MICROPHONE_GAP
    plot = max(cells, LEAST_PLOT)
    rows_top = HEADER + STROKES_HEIGHT + AXIS + 66
    with DRAWING:
        height = rows_top + len(samples.samples) * (ROW + ROW_GAP) + AXIS + MARGIN
        sheet = Sheet(LEFT + plot + RIGHT, height)
        _header(sheet, samples, survey)
        _strokes(sheet, samples, survey, plot)
        _cells(sheet, samples, pieces, rows_top)
        return sheet.figure


def _header(sheet: Sheet, samples: SampleSet, survey: Survey) -> None:
    stages = samples.samples[-1].stage
    words = (
        f"{stages} stages, {len(samples.samples)} strokes, "
        f"{len(samples.microphones)} microphones, {samples.rate / 1000:g} kHz"
    )
    if samples.fundamental_hz is not None:
        words += f", drum tuned to {samples.fundamental_hz:.0f} Hz"
    sheet.text(MARGIN, 36, sheet.fit(samples.name, sheet.width - 500, 17, True), 17, bold=True)
    sheet.text(sheet.width - MARGIN, 36, words, 9, color=SOFT, align="right")
    found = f"{len(survey)} strokes found in {survey.frames / survey.rate:.0f} s"
    sheet.text(sheet.width - MARGIN, 54, found, 9, color=SOFT, align="right")


def _strokes(sheet: Sheet, samples: SampleSet, survey: Survey, plot: int) -> None:
    """All strokes over time by strength; what is chosen, what could be, what has a fault."""
    top = HEADER
    time = TimeScale(0.0, survey.frames / survey.rate, LEFT, LEFT + plot)
    levels = survey.level_dbfs
    scale = DbScale(
        6 * math.floor((levels.min() - 3) / 6), 6 * math.ceil((levels.max() + 3) / 6),
        STROKES_HEIGHT,
    )  # fmt: skip
    ground(sheet, time, top, STROKES_HEIGHT)
    _stage_bands(sheet, survey, samples, scale, time, top)
    axis(sheet, time, top, scale, "dBFS")
    chosen = np.zeros(len(survey), dtype=np.bool_)
    chosen[[index for group in survey.chosen for index in group]] = True
    clean = survey.stage > 0
    x, y = time.x(survey.onset / survey.rate), top + scale.y(levels)
    kinds = (
        ("faulty", ~clean, "x", 6, SOFT, SOFT),
        ("clean", clean & ~chosen, "o", 7, LANE, SOFT),
        ("chosen", chosen, "o", 9, CUT, INK),
    )
    for name, shown, shape, size, fill, edge in kinds:
        sheet.marks(x[shown], y[shown], shape, size, fill, edge, gid=f"strokes.{name}")
    for at, words in time.ticks():
        sheet.text(at, top + STROKES_HEIGHT + 16, words, 8.5, color=SOFT, align="center")
    sheet.text(MARGIN, top + 12, "strokes", 10, bold=True)
    sheet.text(MARGIN, top + 29, "strength over time", 8.5, color=SOFT)
    said = [(f"{int(chosen.sum())} chosen", "o", CUT, INK)]
    said.append((f"{int((clean & ~chosen).sum())} could be", "o", LANE, SOFT))
    said += [(f"{many}: {fault}", "x", SOFT, SOFT) for fault, many in survey.faults().items()]
    row = 50.0
    for words, shape, fill, edge in said:
        sheet.marks(np.array([MARGIN + 5.0]), np.array([top + row]), shape, 7, fill, edge)
        for line in sheet.wrap(words, LEFT - MARGIN - 72, 8.5, False, 4):
            sheet.text(MARGIN + 16, top + row, line, 8.5, middle=True)
            row += 14
        row += 4


def _stage_bands(
    sheet: Sheet, survey: Survey, samples: SampleSet, scale: DbScale, time: TimeScale, top: int
) -> None:
    """A tinted band over each stage's range of level, its number and velocities beside it."""
    for number in range(1, samples.samples[-1].stage + 1):
        levels = survey.level_dbfs[survey.stage == number]
        high, low = (top + float(scale.y(np.array(one))) for one in (levels.max(), levels.min()))
        sheet.box(time.left, high - 3, time.right - time.left, low - high + 6, CUT_TINT)
        first = next(one for one in samples.samples if one.stage == number)
        words = f"stage {number}: velocity {first.velocity_low} to {first.velocity_high}"
        sheet.text(time.right + 10, (high + low) / 2, words, 8.5, middle=True)


def _cells(sheet: Sheet, samples: SampleSet, pieces: Pieces, top: int) -> None:
    """One row per chosen stroke; for each microphone its whole course, and its arrival."""
    longest = max(len(piece) for piece in pieces[samples.microphones[0]].values())
    whole_s = longest / samples.rate
    for number, microphone in enumerate(samples.microphones):
        left = LEFT + number * (WHOLE + CELL_GAP + ZOOM + MICROPHONE_GAP)
        spans = (
            (TimeScale(0.0, whole_s, left, left + WHOLE), ""),
            (TimeScale(0.0, ZOOM_S, left + WHOLE + CELL_GAP, left + WHOLE + CELL_GAP + ZOOM),
             " arrival"),
        )  # fmt: skip
        sheet.text(left, top - 12, sheet.fit(microphone, WHOLE, 10, True), 10, bold=True)
        sheet.text(spans[1][0].left, top - 12, f"its first {1000 * ZOOM_S:.0f} ms", 8.5, color=SOFT)
        for row, sample in enumerate(samples.samples):
            piece = pieces[microphone][row]
            y = top + row * (ROW + ROW_GAP)
            for span, ending in spans:
                gid = f"{sample.stage}.{sample.alternate} {microphone}{ending}"
                _wave(sheet, span, y, piece, samples, gid)
        bottom = top + len(samples.samples) * (ROW + ROW_GAP) + 12
        for span, _ in spans:
            sheet.text(span.left, bottom, "0", 8.5, color=SOFT)
            words = f"{1000 * span.stop_s:.0f} ms"
            sheet.text(span.right, bottom, words, 8.5, color=SOFT, align="right")
    for row, sample in enumerate(samples.samples):
        _label(sheet, top + row * (ROW + ROW_GAP), sample)


def _label(sheet: Sheet, y: int, sample: Sample) -> None:
    name = f"stage {sample.stage}, alternate {sample.alternate}"
    sheet.text(MARGIN, y + 14, name, 8.5, bold=sample.alternate == 1)
    gain = f", gain {signed(sample.gain_db)} dB" if sample.gain_db else ""
    sheet.text(MARGIN, y + 28, f"{signed(sample.level_dbfs)} dBFS{gain}", 8.5, color=SOFT)


def _wave(
    sheet: Sheet, span: TimeScale, y: int, piece: Samples, samples: SampleSet, gid: str
) -> None:
    """One cell, as high as its highest sample; a line marks the arrival on the close track."""
    width = round(span.right - span.left)
    sheet.box(span.left, y, width, ROW, LANE)
    mono = piece.mean(axis=1)[: max(round(span.stop_s * samples.rate), 1)]
    highest = max(float(np.abs(mono).max()), 1e-9)
    middle, reach = y + ROW / 2, ROW / 2 - 1
    sheet.lines([(span.left, middle, span.right, middle)], GUIDE)
    x = span.x(np.arange(len(mono)) / samples.rate)
    if len(mono) <= 8 * width:
        sheet.path(x, middle - mono / highest * reach, INK, 1, gid=gid)
    else:
        edges = np.linspace(0, len(mono), round(x[-1] - x[0]) + 1).astype(int)[:-1]
        low, high = np.minimum.reduceat(mono, edges), np.maximum.reduceat(mono, edges)
        columns: Values = span.left + np.arange(len(edges), dtype=np.float64) + 0.5
        top = middle - high / highest * reach - 0.5
        sheet.area(columns, top, middle - low / highest * reach + 0.5, INK, gid=gid)
    at = float(span.x(np.array(samples.lead / samples.rate)))
    sheet.lines([(at, y, at, y + ROW)], ARRIVAL)
    sheet.lines([(span.left, y + ROW, span.right, y + ROW)], HAIR)
