# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops of bleed cancelling: filters over frames of short-time spectra, bin by bin."""

from dsp.kernels.loading import kernel


@kernel
def filter_frames(taps, x, out):
    """Sum over n of taps[k, n] · x[k, f + n], for each bin k and frame f of out.

    taps (bins, n), x (bins, frames), out (bins, count), complex. All frames it needs are in x.
    """
    bins, count = out.shape
    size = taps.shape[1]
    for k in range(bins):
        for f in range(count):
            total = 0.0j
            for n in range(size):
                total += taps[k, n] * x[k, f + n]
            out[k, f] = total


@kernel
def add_products(z_re, z_im, x_re, x_im, y, weight, size, re, im, right):
    """Add to the normal equations of filters from x to y, bin by bin.

    re + j·im (bins, m·size, m·size) grows by Σ_f w·conj(u)·v and right (bins, m·size) by
    Σ_f w·conj(u)·y, where u and v are `size` frames of each of z and x (m, bins, frames), from
    frame f on. y and weight are (bins, count). z = x gives least squares; another z,
    instruments. Real and imaginary parts come apart so that several frames are worked on at once.
    """
    bins, count = y.shape
    signals = x_re.shape[0]
    for k in range(bins):
        for f in range(count):
            w = weight[k, f]
            if w == 0.0:
                continue
            for row in range(signals * size):
                m, i = row // size, row % size
                a = w * z_re[m, k, f + i]
                b = -w * z_im[m, k, f + i]
                right[k, row] += complex(a, b) * y[k, f]
                for n in range(signals):
                    for j in range(size):
                        u, v = x_re[n, k, f + j], x_im[n, k, f + j]
                        re[k, row, n * size + j] += a * u - b * v
                        im[k, row, n * size + j] += a * v + b * u
