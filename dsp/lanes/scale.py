# SPDX-License-Identifier: GPL-3.0-or-later
"""Axes: round steps, what a tick says, and colours for gain."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

PIXELS_PER_DB = 4.5  # the same in every gain lane that is not squeezed, so heights compare
LEAST_SPAN_DB = 6.0  # a small move must not look like a large one
COARSE_S, COARSE_PIXELS = 0.06, 6
TIME_STEPS_S = (
    *(m * 10.0**e for e in range(-6, 0) for m in (1, 2, 5)),
    *(1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 3600.0),
)
DB_STEPS = (1.0, 2.0, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0)


@dataclass(frozen=True)
class TimeScale:
    """Seconds `start_s` to `stop_s` across pixels `left` to `right`."""

    start_s: float
    stop_s: float
    left: float
    right: float

    def x(self, seconds: Values) -> Values:
        """Pixel of a time."""
        share = (np.asarray(seconds) - self.start_s) / (self.stop_s - self.start_s)
        return np.asarray(self.left + share * (self.right - self.left))

    @property
    def coarse(self) -> bool:
        """Whether a pixel is so long that single strokes no longer show."""
        return (self.stop_s - self.start_s) / (self.right - self.left) > COARSE_S

    @property
    def gain_columns(self) -> int:
        """Columns in which gains and levels are drawn: wider where single strokes are lost."""
        return round(self.right - self.left) // (COARSE_PIXELS if self.coarse else 1)

    def columns(self, count: int) -> Values:
        """Pixel of the middle of each of `count` even columns; the outer two reach the ends."""
        x = self.left + (np.arange(count) + 0.5) * (self.right - self.left) / count
        x[0], x[-1] = self.left, self.right
        return np.asarray(x)

    def ticks(self) -> list[tuple[float, str]]:
        """Pixels and words (min:sec) of ticks at least 90 pixels apart."""
        span = self.stop_s - self.start_s
        least = span * 90 / (self.right - self.left)
        step = next((s for s in TIME_STEPS_S if s >= least), TIME_STEPS_S[-1])
        first = math.ceil(self.start_s / step - 1e-6)
        last = math.floor(self.stop_s / step + 1e-6)
        return [
            (float(self.x(np.array(i * step))), clock(i * step, step))
            for i in range(first, last + 1)
        ]


def clock(seconds: float, step: float = 1.0) -> str:
    """Minutes and seconds, with as many decimals as steps of `step` seconds need."""
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    units = round(seconds * 10**places)
    minutes, rest = divmod(units, 60 * 10**places)
    width = 2 if places == 0 else 3 + places
    return f"{minutes}:{rest / 10**places:0{width}.{places}f}"


@dataclass(frozen=True)
class DbScale:
    """Decibels `low` to `high` over `height` pixels, the highest on top."""

    low: float
    high: float
    height: int

    def y(self, db: Values) -> Values:
        """Pixels below the top; what lies outside is drawn at the edge."""
        inside = np.clip(np.asarray(db, dtype=float), self.low, self.high)
        return np.asarray((self.high - inside) / (self.high - self.low) * self.height)

    def ticks(self, apart: float = 13) -> list[float]:
        """Multiples of a round step at least `apart` pixels apart, 0 dB among them if inside."""
        least = apart * (self.high - self.low) / self.height
        step = next((s for s in DB_STEPS if s >= least), DB_STEPS[-1])
        first, last = math.ceil(self.low / step), math.floor(self.high / step)
        return [i * step for i in range(first, last + 1)]


def gain_scale(low: float, high: float) -> DbScale:
    """The scale of a gain lane whose gains lie between `low` and `high`."""
    low, high = min(low, 0.0), max(high, 0.0)
    missing = max(0.0, LEAST_SPAN_DB - (high - low))
    if high == 0.0 and low == 0.0:
        low, high = -missing / 2, missing / 2
    elif high == 0.0:
        low -= missing
    elif low == 0.0:
        high += missing
    else:
        low, high = low - missing / 2, high + missing / 2
    margin = 0.06 * (high - low)
    low, high = low - margin, high + margin
    return DbScale(low, high, round(min(max((high - low) * PIXELS_PER_DB, 46), 130)))


def signed(db: float) -> str:
    """Decibels with a true minus sign and no needless decimals: `−7.5`, `0`, `+3`."""
    rounded = round(db, 1)
    if rounded == 0:
        return "0"
    return f"{rounded:+.1f}".removesuffix(".0").replace("-", "−")


def hertz(hz: float) -> str:
    """`196 Hz`, `2.4 kHz`."""
    return f"{hz:.0f} Hz" if hz < 1000 else f"{float(f'{hz / 1000:.3g}'):g} kHz"


# Lightness falls evenly with the size of the gain, so the scale also reads without colour:
# cuts run from paper to blue-black, lifts from paper to brown-black.
CUT_RAMP = (
    (0xF4, 0xF1, 0xE6),
    (0xC3, 0xCF, 0xD0),
    (0x86, 0xA3, 0xB4),
    (0x47, 0x70, 0x93),
    (0x14, 0x2C, 0x52),
)
LIFT_RAMP = (
    (0xF4, 0xF1, 0xE6),
    (0xE6, 0xCB, 0x98),
    (0xC9, 0x9A, 0x4E),
    (0x94, 0x63, 0x22),
    (0x4C, 0x2B, 0x0E),
)


def gain_colors(db: Values, largest: float) -> NDArray[np.uint8]:
    """Colour of each gain, shape (…, 3); `largest` dB of cut or lift is the darkest."""
    place = np.clip(np.abs(db) / largest, 0, 1) * (len(CUT_RAMP) - 1)
    stops = np.arange(len(CUT_RAMP))
    ramps = (np.array(CUT_RAMP, dtype=float), np.array(LIFT_RAMP, dtype=float))
    cut, lift = (np.stack([np.interp(place, stops, c) for c in ramp.T], axis=-1) for ramp in ramps)
    return np.asarray(np.where(np.asarray(db)[..., None] > 0, lift, cut).round(), dtype=np.uint8)
