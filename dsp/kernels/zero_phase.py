# SPDX-License-Identifier: GPL-3.0-or-later
"""Banks of second-order sections run forward, then backward: squared magnitude, no phase shift."""

from numba import njit


@njit(cache=True, nogil=True)
def forward_backward(x, b, a, state, out):
    """Filter x by each section in both directions.

    x (n,); b (3, k) and a (2, k) hold b0 b1 b2 and a1 a2 of section k, a0 = 1;
    state (2, k) is scratch; out (n, k). Transposed direct form II, zero initial state.
    """
    n = x.shape[0]
    bands = b.shape[1]
    for k in range(bands):
        state[0, k] = 0.0
        state[1, k] = 0.0
    for i in range(n):
        v = x[i]
        for k in range(bands):
            y = b[0, k] * v + state[0, k]
            state[0, k] = b[1, k] * v - a[0, k] * y + state[1, k]
            state[1, k] = b[2, k] * v - a[1, k] * y
            out[i, k] = y
    for k in range(bands):
        state[0, k] = 0.0
        state[1, k] = 0.0
    for i in range(n - 1, -1, -1):
        for k in range(bands):
            v = out[i, k]
            y = b[0, k] * v + state[0, k]
            state[0, k] = b[1, k] * v - a[0, k] * y + state[1, k]
            state[1, k] = b[2, k] * v - a[1, k] * y
            out[i, k] = y
