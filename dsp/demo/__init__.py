# SPDX-License-Identifier: GPL-3.0-or-later
"""A synthetic demo take, all of whose truth is known: strokes, stems, tuning."""

from dsp.demo.desk import SOURCES
from dsp.demo.groove import FULL_SECONDS, TITLE, Event
from dsp.demo.take import DemoTake, Stroke, make_demo

__all__ = ["FULL_SECONDS", "SOURCES", "TITLE", "DemoTake", "Event", "Stroke", "make_demo"]
