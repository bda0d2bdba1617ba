# SPDX-License-Identifier: GPL-3.0-or-later
"""Linear prediction: what a sound's own past does not say about it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

ORDER = 12
QUIETEST = 2.0**-26  # RMS of silence with dither of 24 bits


def prediction_errors(part: Values, known: int) -> Values:
    """Errors of a linear prediction of part (n,) fitted on its first `known` samples, (n,).

    The prediction has order 12 (autocorrelation method; J. Makhoul, "Linear prediction: a tutorial
    review", Proc. IEEE 63(4), 1975; from memory). Silence predicts nothing: there `part` comes back
    without the mean of what is known.
    """
    centred = part - part[:known].mean()
    noise = centred[:known]
    lags = np.array([(noise[: known - k] * noise[k:]).sum() for k in range(ORDER + 1)])
    if lags[0] <= known * QUIETEST**2:
        return np.asarray(centred)
    lags[0] *= 1.001  # keeps a pure tone solvable
    apart = np.abs(np.subtract.outer(np.arange(ORDER), np.arange(ORDER)))
    weights = np.linalg.solve(lags[apart], lags[1:])
    return np.asarray(np.convolve(centred, np.concatenate([[1.0], -weights]))[: len(part)])
