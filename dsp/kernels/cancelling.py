# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops of bleed cancelling: filters over frames of short-time spectra, bin by bin."""

from dsp.kernels.loading import kernel


@kernel
def filter_frames(taps, x, ahead, first, out):
    """Sum over n of taps[k, n] · x[k, first + f + ahead − n], for each bin k and frame f of out.

    taps (bins, n), x (bins, frames), out (bins, count), complex. All frames it needs are in x.
    """
    bins, count = out.shape
    size = taps.shape[1]
    for k in range(bins):
        for f in range(count):
            total = 0.0j
            newest = first + f + ahead
            for back in range(size):
                total += taps[k, back] * x[k, newest - back]
            out[k, f] = total


@kernel
def add_products(z, x, y, weight, size, ahead, first, matrix, right):
    """Add to the normal equations of filters from x to y, bin by bin.

    matrix[k] += Σ_f w·conj(u)·v and right[k] += Σ_f w·conj(u)·y, where u and v hold `size` frames
    of each of z and x (m, bins, frames), from `ahead` frames after frame f on backwards. y and
    weight (bins, count); frame f of them is frame first + f of z and x. matrix (bins, m·size,
    m·size), right (bins, m·size), complex. z = x gives least squares; another z, instruments.
    """
    bins, count = y.shape
    signals = x.shape[0]
    for k in range(bins):
        for f in range(count):
            if weight[k, f] == 0.0:
                continue
            newest = first + f + ahead
            for m in range(signals):
                for i in range(size):
                    row = m * size + i
                    by = weight[k, f] * z[m, k, newest - i].conjugate()
                    right[k, row] += by * y[k, f]
                    for n in range(signals):
                        for j in range(size):
                            matrix[k, row, n * size + j] += by * x[n, k, newest - j]
