# SPDX-License-Identifier: GPL-3.0-or-later
"""The picture of one printed track: waveform, one lane of gain per step, and what came out."""

from dsp.lanes.data import PEAK_COLUMNS, Lane, LanesData, WavePeaks, wave_peaks
from dsp.lanes.picture import build_figure, draw_lane, draw_lanes
from dsp.lanes.sheet import get_ready

__all__ = [
    "PEAK_COLUMNS",
    "Lane",
    "LanesData",
    "WavePeaks",
    "build_figure",
    "draw_lane",
    "draw_lanes",
    "get_ready",
    "wave_peaks",
]
