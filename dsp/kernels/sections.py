# SPDX-License-Identifier: GPL-3.0-or-later
"""Second-order sections in series, run once over the audio, in place."""

from dsp.kernels.loading import kernel

# A filter that rings out in digital silence ends in numbers so small that processors compute
# them slowly. What is smaller than this is inaudible by 500 dB, and taken for nothing.
NOTHING = 1e-30
LOOK = 1024


@kernel
def run_cascade(x, b, a, state):
    """Filter x in place by all sections, one after the other.

    x (n, channels); b (3, k) and a (2, k) hold b0 b1 b2 and a1 a2 of section k, a0 = 1;
    state (2, k, channels) is that of the samples before, 0 at the start, and is updated.
    Transposed direct form II.
    """
    n, channels = x.shape
    count = b.shape[1]
    for channel in range(channels):
        for i in range(n):
            v = x[i, channel]
            for k in range(count):
                y = b[0, k] * v + state[0, k, channel]
                state[0, k, channel] = b[1, k] * v - a[0, k] * y + state[1, k, channel]
                state[1, k, channel] = b[2, k] * v - a[1, k] * y
                v = y
            x[i, channel] = v
            if i % LOOK == LOOK - 1:
                for k in range(count):
                    if abs(state[0, k, channel]) + abs(state[1, k, channel]) < NOTHING:
                        state[0, k, channel] = 0.0
                        state[1, k, channel] = 0.0
