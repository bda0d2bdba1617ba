# SPDX-License-Identifier: GPL-3.0-or-later
"""Banks of second-order sections run forward, then backward: squared magnitude, no phase shift."""

from dsp.kernels.loading import kernel


@kernel
def forward_backward(x, b, a, out):
    """Filter x by each section in both directions.

    x (n,); b (3, k) and a (2, k) hold b0 b1 b2 and a1 a2 of section k, a0 = 1; out (k, n).
    Direct form I, zero initial state.
    """
    n = x.shape[0]
    bands = b.shape[1]
    # A sample waits for the one before it: two bands at once take no longer than one.
    for k in range(0, bands, 2):
        m = min(k + 1, bands - 1)
        b0, b1, b2 = b[:, k]
        c0, c1, c2 = b[:, m]
        a1, a2 = a[:, k]
        d1, d2 = a[:, m]
        v1 = v2 = y1 = y2 = z1 = z2 = 0.0
        for i in range(n):
            v = x[i]
            y = (b0 * v + b1 * v1 + b2 * v2 - a2 * y2) - a1 * y1
            z = (c0 * v + c1 * v1 + c2 * v2 - d2 * z2) - d1 * z1
            v1, v2, y1, y2, z1, z2 = v, v1, y, y1, z, z1
            out[k, i] = y
            out[m, i] = z
        v1 = v2 = w1 = w2 = y1 = y2 = z1 = z2 = 0.0
        for i in range(n - 1, -1, -1):
            v, w = out[k, i], out[m, i]
            y = (b0 * v + b1 * v1 + b2 * v2 - a2 * y2) - a1 * y1
            z = (c0 * w + c1 * w1 + c2 * w2 - d2 * z2) - d1 * z1
            v1, v2, w1, w2 = v, v1, w, w1
            y1, y2, z1, z2 = y, y1, z, z1
            out[k, i] = y
            out[m, i] = z
