# SPDX-License-Identifier: GPL-3.0-or-later
"""The same stretch of a track around each of many places."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]


def excerpts(
    x: NDArray[np.float32] | Values, at: NDArray[np.int64], before: int, after: int
) -> Values:
    """Parts of x (n,) from `before` samples ahead of each of `at` to `after` behind.

    (places, before + after); silence where x has none.
    """
    where = at[:, None] + np.arange(-before, after)
    inside = (where >= 0) & (where < len(x))
    return np.where(inside, x[np.clip(where, 0, len(x) - 1)], 0.0).astype(np.float64)


def unit(parts: Values) -> Values:
    """Parts (places, samples), each with an energy of 1; silence stays silence."""
    size = np.sqrt((parts**2).sum(axis=1, keepdims=True))
    return np.asarray(parts / np.maximum(size, 1e-300))
