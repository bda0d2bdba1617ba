# SPDX-License-Identifier: GPL-3.0-or-later
"""From samples to the bytes of 24-bit files."""

import numpy as np

from dsp.kernels.loading import kernel


@kernel
def pack_24(x, out):
    """Little-endian 24-bit codes of x (n, channels), full scale at ±1; nearest, ties to even.

    out (3·n·channels,) uint8. What is beyond the largest code becomes that code; returns how many
    samples were.
    """
    n, channels = x.shape
    clipped = 0
    place = 0
    for i in range(n):
        for channel in range(channels):
            code = np.rint(x[i, channel] * 8388608.0)
            if code > 8388607.0 or code < -8388608.0:
                clipped += 1
                code = min(max(code, -8388608.0), 8388607.0)
            word = int(code)
            out[place] = word & 0xFF
            out[place + 1] = (word >> 8) & 0xFF
            out[place + 2] = (word >> 16) & 0xFF
            place += 3
    return clipped
