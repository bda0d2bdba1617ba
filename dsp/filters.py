# SPDX-License-Identifier: GPL-3.0-or-later
r"""Band filters without phase shift, built from second-order sections run in both directions.

A section H run forward and backward has the real response |H|². Three kinds are enough:

bell         |band-pass|²  = 1 / (1 + q²·(w − 1/w)²),  w = f / f0
low shelf    |Butterworth low-pass|²  = 1 / (1 + w⁴)
high shelf   |Butterworth high-pass|² = 1 / (1 + w⁻⁴)

The two last are the Linkwitz-Riley fourth-order crossover (Linkwitz, JAES 24(1), 1976) without
its all-pass: −6.02 dB at the crossover, and low + high = 1 exactly.

A gain g on such a band, y = x + (g − 1)·band(x), has the response (u + g) / (u + 1), where
1 / (1 + u) is the band. With u = √g·v it is √g where v = 1, the half-gain points by which the
Audio EQ Cookbook (W3C Note, 8 June 2021) defines bandwidth and shelf frequency; between them it
stays close to the cookbook's √((v + g) / (v + 1/g)). `half_gain_scale` gives that √g.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Shape = Literal["bell", "low shelf", "high shelf"]
DECAY_NEPERS = 27.0  # filters count as rung out when they have fallen by this much, −234 dB


@dataclass(frozen=True)
class Section:
    """One second-order section: b0 b1 b2 / 1 a1 a2, and the samples it takes to ring out."""

    b: tuple[float, float, float]
    a: tuple[float, float]

    @property
    def ring_out(self) -> int:
        """Samples until the impulse response has fallen by DECAY_NEPERS."""
        radius = max(abs(np.roots([1.0, *self.a])))
        return math.ceil(DECAY_NEPERS / max(-math.log(min(radius, 1 - 1e-9)), 1e-9))


def _normalised(b: list[float], a: list[float]) -> Section:
    b0, b1, b2 = (value / a[0] for value in b)
    return Section((b0, b1, b2), (a[1] / a[0], a[2] / a[0]))


def low_pass(at_hz: float, rate: float, q: float = math.sqrt(0.5)) -> Section:
    """Cookbook low-pass, unity at 0 Hz; the default q is Butterworth."""
    cosine, alpha = _angle(at_hz, rate, q)
    return _normalised(
        [(1 - cosine) / 2, 1 - cosine, (1 - cosine) / 2], [1 + alpha, -2 * cosine, 1 - alpha]
    )


def high_pass(at_hz: float, rate: float, q: float = math.sqrt(0.5)) -> Section:
    """Cookbook high-pass, unity at half the rate; the default q is Butterworth."""
    cosine, alpha = _angle(at_hz, rate, q)
    return _normalised(
        [(1 + cosine) / 2, -(1 + cosine), (1 + cosine) / 2], [1 + alpha, -2 * cosine, 1 - alpha]
    )


def band_pass(at_hz: float, rate: float, q: float) -> Section:
    """Cookbook band-pass, 0 dB at its centre."""
    cosine, alpha = _angle(at_hz, rate, q)
    return _normalised([alpha, 0.0, -alpha], [1 + alpha, -2 * cosine, 1 - alpha])


def bell(at_hz: float, rate: float, gain_db: float, q: float) -> Section:
    """Cookbook peaking filter: `gain_db` at its centre, 0 dB at 0 Hz and at half the rate."""
    cosine, alpha = _angle(at_hz, rate, q)
    a = 10 ** (gain_db / 40)
    return _normalised(
        [1 + alpha * a, -2 * cosine, 1 - alpha * a], [1 + alpha / a, -2 * cosine, 1 - alpha / a]
    )


def low_shelf(at_hz: float, rate: float, gain_db: float, q: float = math.sqrt(0.5)) -> Section:
    """Cookbook low shelf, half of `gain_db` at `at_hz`; the default q is the slope S = 1."""
    b, a = _shelf(at_hz, rate, gain_db, q, 1.0)
    return _normalised(b, a)


def high_shelf(at_hz: float, rate: float, gain_db: float, q: float = math.sqrt(0.5)) -> Section:
    """Cookbook high shelf, half of `gain_db` at `at_hz`; the default q is the slope S = 1."""
    b, a = _shelf(at_hz, rate, gain_db, q, -1.0)
    return _normalised(b, a)


def _shelf(
    at_hz: float, rate: float, gain_db: float, q: float, side: float
) -> tuple[list[float], list[float]]:
    """Both shelves: `side` is 1 for the low one, −1 for the high one (cosine mirrored)."""
    cosine, alpha = _angle(at_hz, rate, q)
    cosine *= side
    a = 10 ** (gain_db / 40)
    root = 2 * math.sqrt(a) * alpha
    b = [
        a * ((a + 1) - (a - 1) * cosine + root),
        side * 2 * a * ((a - 1) - (a + 1) * cosine),
        a * ((a + 1) - (a - 1) * cosine - root),
    ]
    below = [
        (a + 1) + (a - 1) * cosine + root,
        side * -2 * ((a - 1) + (a + 1) * cosine),
        (a + 1) + (a - 1) * cosine - root,
    ]
    return b, below


def cookbook_section(
    shape: Shape, at_hz: float, width_oct: float, gain_db: float, rate: float
) -> Section:
    """The cookbook's own filter, run once: minimum phase. Arguments as of `shaped_section`."""
    if shape == "bell":
        return bell(at_hz, rate, gain_db, octaves_to_q(width_oct, at_hz, rate))
    return (low_shelf if shape == "low shelf" else high_shelf)(at_hz, rate, gain_db)


def _angle(at_hz: float, rate: float, q: float) -> tuple[float, float]:
    omega = 2 * math.pi * at_hz / rate
    return math.cos(omega), math.sin(omega) / (2 * q)


def octaves_to_q(width_oct: float, at_hz: float, rate: float) -> float:
    """Cookbook: 1/Q = 2·sinh(ln2/2 · BW · w0 / sin w0)."""
    omega = 2 * math.pi * at_hz / rate
    return 0.5 / math.sinh(math.log(2) / 2 * width_oct * omega / math.sin(omega))


def half_gain_scale(gain_db: float) -> float:
    """√g: how far u must be scaled so that half the gain falls on the cookbook's points."""
    return float(10 ** (gain_db / 40))


def shaped_section(
    shape: Shape, at_hz: float, width_oct: float, gain_db: float, rate: float
) -> Section:
    """The section whose squared response is the band that a gain of `gain_db` needs.

    `at_hz` centre of a bell or half-gain point of a shelf, below half of `rate`; `width_oct`
    octaves between the half-gain points (bells only).
    """
    scale = half_gain_scale(gain_db)
    if shape == "bell":
        q = octaves_to_q(width_oct, at_hz, rate) * math.sqrt(scale)
        return band_pass(at_hz, rate, q)
    warped = math.tan(math.pi * at_hz / rate)
    if shape == "low shelf":
        return low_pass(math.atan(warped / scale**0.25) * rate / math.pi, rate)
    return high_pass(math.atan(warped * scale**0.25) * rate / math.pi, rate)


def stack(sections: list[Section]) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Coefficients (3, k) and (2, k) as the kernel wants them, and the longest ring-out."""
    b = np.ascontiguousarray(np.array([section.b for section in sections]).T)
    a = np.ascontiguousarray(np.array([section.a for section in sections]).T)
    return b, a, max(section.ring_out for section in sections)


def zero_phase_response(
    section: Section, hz: NDArray[np.float64], rate: float
) -> NDArray[np.float64]:
    """|H(f)|², the real response of the section run in both directions."""
    return np.asarray(np.abs(response(section, hz, rate)) ** 2)


def response(section: Section, hz: NDArray[np.float64], rate: float) -> NDArray[np.complex128]:
    """H(f), the complex response of the section run once."""
    z = np.exp(-2j * np.pi * np.asarray(hz) / rate)
    top = section.b[0] + section.b[1] * z + section.b[2] * z**2
    return np.asarray(top / (1 + section.a[0] * z + section.a[1] * z**2))
