# SPDX-License-Identifier: GPL-3.0-or-later
"""Peaks between the samples: measured, rounded off, and a limiter's gain that looks ahead.

Between samples i and i + 1 a sound is x̂(i + p/m) = Σ_t x[i + t − h + 1]·bank[t, p], p = 0 … m − 1,
where `bank` (2h, m) is a low-pass of linear phase, split by its phases. Frames are counted in cells
of a fixed length; only cells that are `wanted` are looked at.
"""

import math

import numpy as np

from dsp.kernels.loading import kernel


@kernel
def _interpolated(x, bank, phase, begin, out):
    """One phase of x̂ for as many frames as `out` holds, from `begin` on."""
    taps, count = bank.shape[0], out.shape[0]
    near = x[begin - taps // 2 + 1 :]
    out[:] = 0.0
    for t in range(taps):
        factor = bank[t, phase]
        for i in range(count):
            out[i] += near[t + i] * factor


@kernel
def true_peaks(x, bank, cell, wanted, out):
    """Largest magnitude of x̂ in each wanted cell; 0 in others.

    x (n,); cell k begins at frame k·cell; those wanted have h frames of x before and after;
    wanted (cells,) bool; out (cells,).
    """
    between = np.empty(cell)
    for k in range(out.shape[0]):
        out[k] = 0.0
        if not wanted[k]:
            continue
        for phase in range(bank.shape[1]):
            _interpolated(x, bank, phase, k * cell, between)
            for i in range(cell):
                out[k] = max(out[k], abs(between[i]))


@kernel
def round_off(x, bank, cell, wanted, start, ceiling, out, kept):
    """Round off the peaks of x̂ in the wanted cells: what is to be added to x, and how deep it went.

    A magnitude a above `start` becomes start + 2·d·(u − u³ + u⁴/2) with d = ceiling − start and
    u = (a − start) / (2·d), at most 1; below it stays. Value, slope and bend are continuous at
    both ends, where it is a straight line and where it lies flat at the ceiling. What this changes
    goes back to the rate of x through the same low-pass. x, out (n,): out is added to; cells as in
    `true_peaks`; kept (cells,) is the smallest ratio of a rounded magnitude to its original.
    """
    taps, phases = bank.shape
    change = np.empty(cell)
    room = 2.0 * (ceiling - start)
    for k in range(kept.shape[0]):
        kept[k] = 1.0
        if not wanted[k]:
            continue
        near = out[k * cell - taps // 2 + 1 :]
        for phase in range(phases):
            _interpolated(x, bank, phase, k * cell, change)
            changed = False
            for i in range(cell):
                size = abs(change[i])
                if size <= start:
                    change[i] = 0.0
                    continue
                u = min((size - start) / room, 1.0)
                rounded = start + room * u * (1.0 - u * u * (1.0 - 0.5 * u))
                kept[k] = min(kept[k], rounded / size)
                change[i] = math.copysign(size - rounded, -change[i]) / phases
                changed = True
            if changed:
                for t in range(taps):
                    factor = bank[t, phase]
                    for i in range(cell):
                        near[t + i] += change[i] * factor


@kernel
def look_ahead(need, keep, window, out):
    """A gain in dB that is nowhere above `need`, comes in ahead of it and goes back slowly.

    First v[k] = min(need[k], keep·v[k − 1]); then the least of v[k] … v[k + window]; then its mean
    over the last window + 1 values, so that the whole way down lies within `window` values and
    is done in time. need, out (n,), at most 0; before and after there is 0.
    """
    n = need.shape[0]
    least = np.empty(n)
    value = 0.0
    for k in range(n):
        value *= keep
        if value > -1e-4:
            value = 0.0
        value = min(need[k], value)
        out[k] = value
    for k in range(n):
        least[k] = 0.0
        for j in range(k, min(k + window + 1, n)):
            least[k] = min(least[k], out[j])
    for k in range(n):
        # what begins before the first value cannot come in ahead of it
        total = least[0] * max(window - k, 0)
        for j in range(max(k - window, 0), k + 1):
            total += least[j]
        out[k] = total / (window + 1)
