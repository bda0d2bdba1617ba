# SPDX-License-Identifier: GPL-3.0-or-later
"""The page: title, strokes and waveform on top, one lane per step, and what came out below.

Time runs through all lanes on one scale, so a vertical line is one moment everywhere. Gain lanes
have the same number of pixels per decibel unless they would grow too tall or too flat.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dsp.curves import SplitBands
from dsp.lanes import strips, waves
from dsp.lanes.data import PLOT_COLUMNS, Lane, LanesData, curve_columns
from dsp.lanes.scale import DbScale, TimeScale, clock, gain_scale, hertz, signed
from dsp.lanes.sheet import DRAWING, INK, SOFT, Sheet, save_png

MARGIN, LEFT, RIGHT = 24, 300, 150
WIDTH = LEFT + PLOT_COLUMNS + RIGHT
LABEL_WIDTH = LEFT - MARGIN - 74  # the rest is for the axis
HEADER, CLOCK, FOOT = 86, 24, 30
LANE_GAP, STRIP_GAP = 16, 6
WAVE_HEIGHT, LEVEL_HEIGHT = 104, 120
SUMMARY_LINES = 6
RESULT_ROWS = 2


@dataclass(frozen=True)
class _Row:
    """A lane before it has a place: its height, and what paints it at a given y."""

    name: str
    summary: list[str]
    height: int
    paint: Callable[[Sheet, int], None]


def draw_lanes(path: Path, lanes: LanesData) -> None:
    """Write the picture as PNG to `path`, whatever its suffix. May run in several threads."""
    save_png(build_figure(lanes), path)


def draw_lane(path: Path, lanes: LanesData) -> None:
    """The same without title and result: strokes, waveform and lanes, as PNG to `path`."""
    save_png(build_figure(lanes, brief=True), path)


def build_figure(lanes: LanesData, *, brief: bool = False) -> Any:
    """The picture as a `matplotlib.figure.Figure`; what is drawn is found by its `gid`.

    Gains: `NUMBER NAME.BAND.mean`, `.range`, `.cut`, `.lift`, `NUMBER NAME.heat`;
    waveforms: `before`, `after`; levels: `level.before`, `level.after`; strokes: `hits.full`,
    `hits.ghost`. A `brief` one has neither title nor result.
    """
    head = 0 if brief else HEADER
    with DRAWING:
        time = TimeScale(lanes.start_s, lanes.stop_s, LEFT, LEFT + PLOT_COLUMNS)
        measure = Sheet(WIDTH, 100)  # fonts only: rows need their words before the page its height
        rows = _rows(measure, time, lanes)[: -RESULT_ROWS if brief else None]
        body = sum(row.height + LANE_GAP for row in rows)
        sheet = Sheet(WIDTH, head + CLOCK + body + CLOCK + FOOT)
        if not brief:
            _header(sheet, lanes)
        y = head + CLOCK
        _clock(sheet, time, y - 8, y)
        for row in rows:
            _labels(sheet, y, row)
            row.paint(sheet, y)
            y += row.height + LANE_GAP
        _clock(sheet, time, y + 8, y - LANE_GAP + 6)
        _foot(sheet, time, y + CLOCK + 10)
        return sheet.figure


def _rows(measure: Sheet, time: TimeScale, lanes: LanesData) -> list[_Row]:
    top_db = max(3.0 * math.ceil(_db(max(lanes.before.peak, lanes.after.peak)) / 3), -60.0)
    hits = lanes.hits
    floor = top_db - 60
    if lanes.bleed_dbfs is not None:
        floor = max(min(floor, 6 * math.floor((lanes.bleed_dbfs - 24) / 6)), top_db - 120)
    level = DbScale(floor, top_db, LEVEL_HEIGHT)
    rows = [
        _Row(
            "strokes",
            ["length is strength in dB"],
            strips.HITS_HEIGHT,
            lambda sheet, y: strips.hits(sheet, time, y, hits),
        ),
        _Row(
            "input",
            measure.wrap(lanes.came_from, LABEL_WIDTH, 8.5, False, 3),
            WAVE_HEIGHT,
            lambda s, y: waves.wave(s, time, y, WAVE_HEIGHT, lanes.before, top_db, "before"),
        ),
    ]
    rows += [_lane_row(measure, time, i, lane, lanes) for i, lane in enumerate(lanes.lanes, 1)]
    rows += [
        _Row(
            "output",
            ["waveform as printed, same scale"],
            WAVE_HEIGHT,
            lambda s, y: waves.wave(s, time, y, WAVE_HEIGHT, lanes.after, top_db, "after"),
        ),
        _Row(
            "level",
            ["sample peaks, before and after"],
            LEVEL_HEIGHT,
            lambda s, y: waves.levels(s, time, y, level, lanes),
        ),
    ]
    return rows


def _lane_row(measure: Sheet, time: TimeScale, number: int, lane: Lane, lanes: LanesData) -> _Row:
    curve = lane.curve
    start, stop = lanes.start_s * lanes.rate, lanes.stop_s * lanes.rate
    columns = curve_columns(curve, start, stop, time.gain_columns)
    summary = measure.wrap(lane.summary, LABEL_WIDTH, 8.5, False, SUMMARY_LINES)
    name = gid = f"{lane.number or number} {lane.name}"
    words = 22 + 14 * len(summary)
    if isinstance(curve.layout, SplitBands):
        height = max(strips.heat_height(curve.layout), words)
        return _Row(
            name, summary, height, lambda s, y: strips.heat(s, time, y, curve, columns, gid)
        )
    bands = range(curve.db.shape[1])
    scales = [gain_scale(columns.low[:, b].min(), columns.high[:, b].max()) for b in bands]
    names = curve.layout.names

    def paint(sheet: Sheet, y: int) -> None:
        for band, scale in enumerate(scales):
            strips.gain(sheet, time, y, scale, columns, band, f"{gid}.{names[band]}")
            strips.notes(sheet, time, y, *strips.gain_notes(curve, columns, band))
            y += scale.height + STRIP_GAP

    height = sum(scale.height + STRIP_GAP for scale in scales) - STRIP_GAP
    return _Row(name, summary, max(height, words), paint)


def _db(amplitude: float) -> float:
    return 20 * math.log10(max(amplitude, 1e-12))


def _labels(sheet: Sheet, y: int, row: _Row) -> None:
    sheet.text(MARGIN, y + 12, sheet.fit(row.name, LABEL_WIDTH, 10, True), 10, bold=True)
    for i, line in enumerate(row.summary):
        sheet.text(MARGIN, y + 29 + 14 * i, line, 8.5, color=SOFT)


def _header(sheet: Sheet, lanes: LanesData) -> None:
    facts = [
        f"{lanes.rate / 1000:g} kHz, {_moment(lanes.frames / lanes.rate)} long{_shown(lanes)}",
        _drum(lanes),
    ]
    for row, words in enumerate(facts):
        sheet.text(WIDTH - MARGIN, 36 + 20 * row, words, 9, color=SOFT, align="right")
    for line in sheet.wrap(lanes.track, WIDTH - 2 * MARGIN - 420, 17, True, 1):
        sheet.text(MARGIN, 38, line, 17, bold=True)
    for row, line in enumerate(sheet.wrap(lanes.about, WIDTH - 2 * MARGIN - 420, 10, False, 2)):
        sheet.text(MARGIN, 60 + 17 * row, line, 10, color=INK)


def _shown(lanes: LanesData) -> str:
    if round(lanes.start_s * lanes.rate) <= 0 and round(lanes.stop_s * lanes.rate) >= lanes.frames:
        return ""
    return f", {_moment(lanes.start_s)} to {_moment(lanes.stop_s)} shown"


def _moment(seconds: float) -> str:
    return clock(seconds, 0.1 if seconds >= 10 else 0.001)


def _drum(lanes: LanesData) -> str:
    hits = lanes.hits
    count = "1 stroke" if len(hits) == 1 else f"{len(hits)} strokes"
    words = [f"{count} in the take" if len(hits) else "no strokes found"]
    if lanes.key != lanes.track:
        words[0] += f" (found on {lanes.key})" if len(hits) else f" on {lanes.key}"
    if math.isfinite(hits.fundamental_hz):
        words.append(f"drum tuned to {hertz(hits.fundamental_hz)}")
    if lanes.bleed_dbfs is not None:
        words.append(f"bleed at {signed(lanes.bleed_dbfs)} dBFS")
    return ", ".join(words)


def _clock(sheet: Sheet, time: TimeScale, y: int, edge: int) -> None:
    for x, words in time.ticks():
        sheet.text(x, y, words, 8.5, color=SOFT, align="center", middle=y > edge)
    sheet.text(LEFT - 42, y, "min:sec", 8.5, color=SOFT, align="right", middle=y > edge)


def _foot(sheet: Sheet, time: TimeScale, y: int) -> None:
    column_s = (time.stop_s - time.start_s) / time.gain_columns
    words = "Gain lanes: 0 dB leaves the sound as it is; blue is down, brown is up."
    if column_s >= 0.005:
        span = f"{column_s:.2g} s" if column_s >= 1 else f"{1000 * column_s:.2g} ms"
        words += f" Lines and colours are averages over {span}, the grey behind a line its range."
    sheet.text(LEFT, y, words, 8.5, color=SOFT)
