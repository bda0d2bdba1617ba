# SPDX-License-Identifier: GPL-3.0-or-later
"""Medians in which some values count for more than others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

TIE = 1e-9


def weighted_median(values: Values, weight: Values) -> Values:
    """Median of each column of values (rows, columns), each counted as often as `weight` says.

    `weight` has the shape of `values`, or of one column: (rows, 1). Half of a column's weight lies
    on either side; where that is between two values, their mean.
    """
    order = np.argsort(values, axis=0, kind="stable")
    ranked = np.take_along_axis(values, order, axis=0)
    shares = np.broadcast_to(weight / weight.sum(axis=0), values.shape)
    below = np.cumsum(np.take_along_axis(shares, order, axis=0), axis=0)
    lower, upper = (np.argmax(below >= 0.5 + tie, axis=0) for tie in (-TIE, TIE))
    columns = np.arange(values.shape[1])
    return np.asarray((ranked[lower, columns] + ranked[upper, columns]) / 2)
