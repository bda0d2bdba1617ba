# SPDX-License-Identifier: GPL-3.0-or-later
"""Modal building blocks: membrane modes, two heads coupled by air, and sums of damped partials."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LN_60_DB = float(np.log(1e3))
BLOCK = 64


def bessel_zero(order: int, count: int) -> float:
    """Return j_mn, the `count`-th positive zero of the Bessel function of the given order."""
    from scipy.special import jn_zeros

    return float(jn_zeros(order, count)[-1])


def mode_ratio(order: int, count: int) -> float:
    """Frequency of mode (m, n) of an ideal membrane over that of (0, 1): j_mn / j_01."""
    return bessel_zero(order, count) / bessel_zero(0, 1)


def membrane_fundamental(radius: float, tension: float, density: float) -> float:
    """f_01 = j_01 / (2π a) · √(T/σ) of an ideal membrane, in hertz.

    `radius` a in metres, `tension` T in newtons per metre, `density` σ in kilograms per square
    metre (Fletcher and Rossing, The Physics of Musical Instruments, 2nd ed., chapter 3).
    """
    return bessel_zero(0, 1) / (2 * np.pi * radius) * float(np.sqrt(tension / density))


def coupled_pair(
    batter: float, resonant: float, batter_air: float, resonant_air: float
) -> tuple[Floats, Floats]:
    """Two heads as two masses on three springs: their own, and the enclosed air between them.

    All four arguments are in hertz: what each head would sound alone, and what each mass would
    sound on the air spring alone. Returns the two frequencies, lower first, of shape (2,), and
    the unit vectors of motion, shape (2, 2): row k is mode k, columns batter and resonant, in
    mass-weighted coordinates, both heads counted positive downwards, the batter's entry not
    negative (Rossing, Bork, Zhao and Fystrom, JASA 92(1), 1992, model the (0, 1) pair so).
    """
    off = -batter_air * resonant_air
    matrix = np.array([[batter**2 + batter_air**2, off], [off, resonant**2 + resonant_air**2]])
    squares, vectors = np.linalg.eigh(matrix)
    rows = vectors.T
    rows = rows * np.where(rows[:, :1] < 0, -1.0, 1.0)
    return np.sqrt(squares), rows


def damped_sum(
    hz: Floats, t60: Floats, gains: Complexes | Floats, frames: int, rate: int
) -> Floats:
    """Re Σ_k g_k · exp((−ln 1000 / T60_k + 2πi f_k) · n / rate) for n = 0 … frames − 1.

    `hz` and `t60` (seconds) have shape (modes,), `gains` shape (outputs, modes); the result has
    shape (outputs, frames). An exponential factors into a coarse and a fine part, which turns
    the sum into one matrix product per output.
    """
    step = _exponents(hz, t60, rate)
    fine = np.exp(step[:, None] * np.arange(BLOCK))
    coarse = np.exp(step * BLOCK * np.arange(-(-frames // BLOCK))[:, None])
    fine_parts = np.concatenate([fine.real, -fine.imag])
    result = np.empty((len(gains), frames))
    for row, gain in zip(result, gains, strict=True):
        weighted = coarse * gain
        parts = np.concatenate([weighted.real, weighted.imag], axis=1)
        row[:] = (parts @ fine_parts).reshape(-1)[:frames]
    return result


def struck_sum(
    hz: Floats,
    t60: Floats,
    gains: Complexes | Floats,
    pulse: Floats,
    frames: int,
    rate: int,
) -> Floats:
    """Convolve `damped_sum` with a short `pulse` (the contact force), first sample included.

    Exact and cheap: once the pulse is over each partial goes on with its gain times the pulse's
    own transform; only the samples under the pulse are convolved one by one.
    """
    step = _exponents(hz, t60, rate)
    length = min(len(pulse), frames)
    transform = np.exp(-step[:, None] * np.arange(len(pulse))) @ pulse
    result = damped_sum(hz, t60, gains * transform, frames, rate)
    start = damped_sum(hz, t60, gains, length, rate)
    for row, head in zip(result, start, strict=True):
        row[:length] = np.convolve(head, pulse)[:length]
    return result


def contact_pulse(seconds: float, rate: int) -> Floats:
    """Force of a stick on a head: sin^1.5 over the contact time, unit sum, shape (samples,).

    The exponent is that of a Hertz contact; the first sample is already greater than zero.
    """
    count = max(2, round(seconds * rate))
    force = np.sin(np.pi * (np.arange(count) + 0.5) / count) ** 1.5
    return np.asarray(force / force.sum())


def glide(samples: Floats, amount: float, seconds: float, rate: int) -> Floats:
    """Play `samples` (frames,) with the pitch raised by `amount` (0.01 is 1 %) and settling.

    Time runs ahead by amount · τ · (1 − exp(−t/τ)), read by cubic interpolation. Sample 0 stays
    sample 0 and nothing sounds before it.
    """
    tau = seconds * rate
    time = np.arange(len(samples))
    ahead = amount * tau * -np.expm1(-time / tau)
    whole = ahead.astype(np.int64)
    part = ahead - whole
    padded = np.concatenate([[0.0], samples, np.zeros(int(whole[-1]) + 3)])
    at = time + whole
    before, here, after, later = (padded[at + k] for k in range(4))
    # Catmull-Rom: passes through every sample, so a stroke without glide is unchanged.
    slope = 0.5 * (after - before)
    square = before - 2.5 * here + 2.0 * after - 0.5 * later
    cube = 0.5 * (later - before) + 1.5 * (here - after)
    return np.asarray(((cube * part + square) * part + slope) * part + here)


def _exponents(hz: Floats, t60: Floats, rate: int) -> Complexes:
    return np.asarray((-LN_60_DB / t60 + 2j * np.pi * hz) / rate)
