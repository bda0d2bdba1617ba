# SPDX-License-Identifier: GPL-3.0-or-later
"""Small contents for a page: two seconds of two tracks, raw and two variants."""

from __future__ import annotations

from typing import Any

import numpy as np

from dsp.compare.contents import MeasureRow, PageContents, PageVariant
from dsp.curves import GainCurve, ShapedBand, ShapedBands, SplitBands
from dsp.hits.hitmap import HitMap
from dsp.lanes.data import Lane

RATE, START, FRAMES = 48000, 24000, 96000
TAKE = START + FRAMES + 10000


def curve(layout: Any, seed: int, points: int = 60) -> GainCurve:
    """Gains that move at random between −12 and 4 dB."""
    rng = np.random.default_rng(seed)
    at = np.sort(rng.choice(TAKE, points, replace=False))
    return GainCurve(RATE, TAKE, at, rng.uniform(-12, 4, (points, len(layout.names))), layout)


def lanes(seed: int) -> tuple[Lane, ...]:
    """A lane of every kind."""
    bands = (
        ShapedBand("ring", "bell", 540.0, 0.6, -7.0),
        ShapedBand("air", "high shelf", 4e3, 1, 3),
    )
    full = GainCurve(RATE, TAKE, np.array([0]), np.array([[0.0]]))
    return (
        Lane("suppress_bleed", "reduction 18 dB", curve(SplitBands((100.0, 400.0, 1600.0)), seed)),
        Lane("ride_level", "toward typical", curve(full.layout, seed + 1)),
        Lane("dynamic_eq", "ring and air", curve(ShapedBands(bands), seed + 2)),
        Lane("level", "neutral", full),
    )


def strokes(ghost: bool) -> HitMap:
    """Four strokes; two are ghosts if asked, and one strength is unknown."""
    onset = np.array([START + 100, START + 24000, START + 48000, START + 72000, START + FRAMES + 5])
    count = len(onset)
    return HitMap(
        rate=RATE,
        frames=TAKE,
        onset=onset,
        end=onset + 9000,
        peak_dbfs=np.full(count, -6.0),
        strength_db=np.array([0.0, -18.0, -3.0, -np.inf, -1.0]),
        velocity=np.full(count, 100),
        ghost=np.array([False, ghost, False, ghost, False]),
        fundamental_hz=200.0,
        bleed_dbfs=-40.0,
    )


def contents(
    title: str = "two seconds",
    names: tuple[str, ...] = ("raw", "soft", "hard"),
    tracks: tuple[str, str] = ("top", "bottom"),
    note: str = "a note",
) -> PageContents:
    """Contents whose sums are their tracks added, as printed."""
    variants = []
    for number, name in enumerate(names):
        rng = np.random.default_rng(number)
        match = {tracks[0]: -1.5 * number, tracks[1]: 0.4 * number, "sum": -3.0 + number}
        printed = {track: rng.uniform(-0.3, 0.3, (FRAMES, 1)) for track in tracks}
        printed["sum"] = printed[tracks[0]] + printed[tracks[1]]
        variants.append(
            PageVariant(
                name=name,
                about=f"about {name}",
                match_db=match,
                sounds={k: v * 10 ** (match[k] / 20) for k, v in printed.items()},
                lanes={track: lanes(number) for track in tracks} if number else {},
                notes=(note,),
            )
        )
    return PageContents(
        title=title,
        rate=RATE,
        start=START,
        frames=FRAMES,
        listen=(*tracks, "sum"),
        variants=tuple(variants),
        hits={tracks[0]: strokes(True), tracks[1]: strokes(False)},
        measures=(
            MeasureRow(
                tracks[0], "true peak", "dBTP", "Between samples.", (-3.0, -2.5, None)[: len(names)]
            ),
            MeasureRow("sum", "loudness", "LUFS", note, (-20.0, -20.0, -20.1)[: len(names)]),
        ),
        match="matched within 0.1 dB",
        notes=(note,),
    )
