# SPDX-License-Identifier: GPL-3.0-or-later
"""The loop that makes 24-bit codes against a slow twin."""

import numpy as np

from dsp.kernels.codes import pack_24


def pack_twin(x):
    """Python's own rounding (ties to even) and integers."""
    codes = [round(float(value) * 2**23) for value in x.ravel()]
    kept = [min(max(code, -(2**23)), 2**23 - 1) for code in codes]
    packed = b"".join(code.to_bytes(3, "little", signed=True) for code in kept)
    return packed, sum(a != b for a, b in zip(codes, kept, strict=True))


def test_codes_equal_their_twin():
    rng = np.random.default_rng(3)
    x = np.concatenate([rng.uniform(-1.2, 1.2, 500), rng.integers(-9, 9, 500) / 2**24])
    edges = [1.0, -1.0, 1 - 2.0**-23, 1 - 2.0**-24, -1 - 2.0**-24, 1e300, -1e300, 0.0, -0.0]
    x = np.concatenate([x, edges, [0.5]]).reshape(-1, 2)
    out = np.empty(3 * x.size, np.uint8)
    clipped = pack_24(x, out)
    assert (out.tobytes(), clipped) == pack_twin(x)
