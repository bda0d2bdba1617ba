# SPDX-License-Identifier: GPL-3.0-or-later
"""A compressor's gain computer and smoothing, and the few points that draw a curve."""

import math

from dsp.kernels.loading import kernel

AT_REST_DB = 1e-4  # what is left of a reduction counts as none under this


@kernel
def reduction(power, threshold, slope, knee, keep_attack, keep_release, state, out):
    """How far the gain is down, in dB (≥ 0): gain computer, then smooth decoupled smoothing.

    With x = 10·lg(power), the static reduction c is 0 under the knee, slope·(x − threshold) above
    it, and slope·(x − threshold + knee/2)² / (2·knee) within; then
    y = max(c, keep_release·y + (1 − keep_release)·c) and
    z = keep_attack·z + (1 − keep_attack)·y (Giannoulis, Massberg, Reiss, JAES 60(6), 2012).
    power, out (n,); threshold, knee in dB; slope = 1 − 1/ratio; keep = exp(−1 / (time constant ·
    rate)); state (2,) is y and z of the sample before, 0 at the start, and is updated.
    """
    held, smooth = state[0], state[1]
    half = knee / 2.0
    low = 10.0 ** ((threshold - half) / 10.0)
    for i in range(power.shape[0]):
        static = 0.0
        if power[i] > low:
            over = 10.0 * math.log10(power[i]) - threshold
            static = slope * over if over >= half else slope * (over + half) ** 2 / (2.0 * knee)
        held = keep_release * held + (1.0 - keep_release) * static
        if static > held:
            held = static
        smooth = keep_attack * smooth + (1.0 - keep_attack) * held
        if smooth < AT_REST_DB and held < AT_REST_DB:
            held = 0.0
            smooth = 0.0
        out[i] = smooth
    state[0], state[1] = held, smooth


@kernel
def draw_lines(x, first, tolerance, state, at, out):
    """Points whose straight lines stay within `tolerance` of x, found in one pass.

    x (n,) are the samples first … first + n − 1. From the last point on, the slopes of all lines
    that still pass every sample are kept; where none is left, a point is set at the sample before.
    Samples of exactly 0 are met exactly, and before sample 0 all are 0. state (5,) is position
    and value of the last point, the lowest and highest slope, and the value of the last sample;
    with `first` 0 it is set up here, and the first point is at −1. The points are written to at,
    out (n + 2,); returns how many. The last sample gets no point of its own: the caller knows its
    value.
    """
    count = 0
    if first == 0:
        state[0], state[1], state[4] = -1.0, 0.0, 0.0
        state[2], state[3] = -math.inf, math.inf
        at[0], out[0] = -1, 0.0
        count = 1
    position, value, low, high, last = state[0], state[1], state[2], state[3], state[4]
    for i in range(x.shape[0]):
        here = x[i]
        apart = first + i - position
        next_low = max(low, (here - tolerance - value) / apart)
        next_high = min(high, (here + tolerance - value) / apart)
        leaves_rest = last == 0.0 and value == 0.0 and here != 0.0 and apart > 1.0
        if next_low > next_high or leaves_rest:
            before = apart - 1.0
            slope = min(max((last - value) / before, low), high)
            value += slope * before
            position += before
            at[count], out[count] = int(position), value
            count += 1
            next_low, next_high = here - tolerance - value, here + tolerance - value
            apart = 1.0
        low, high = next_low, next_high
        if here == 0.0 and value != 0.0 and low <= -value / apart <= high:
            position, value = float(first + i), 0.0
            low, high = -math.inf, math.inf
            at[count], out[count] = first + i, 0.0
            count += 1
        last = here
    state[0], state[1], state[2], state[3], state[4] = position, value, low, high, last
    return count
