# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops of bleed cancelling against slow twins."""

import numpy as np

from dsp.kernels.cancelling import add_products, filter_frames

BINS, FRAMES, SIZE = 3, 20, 4
COUNT = FRAMES - SIZE + 1


def spectra(*shape, seed):
    rng = np.random.default_rng(seed)
    return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)


def test_filtered_frames_equal_numpys():
    taps, x = spectra(BINS, SIZE, seed=1), spectra(BINS, FRAMES, seed=2)
    out = np.full((BINS, COUNT), np.nan * 1j)
    filter_frames(taps, x, out)
    twin = [np.convolve(one, tap[::-1], "valid") for one, tap in zip(x, taps, strict=True)]
    np.testing.assert_allclose(out, twin, rtol=1e-12)


def test_products_are_added_to_what_is_there():
    z, x = spectra(2, BINS, FRAMES, seed=3), spectra(2, BINS, FRAMES, seed=4)
    y, weight = spectra(BINS, COUNT, seed=5), np.random.default_rng(6).random((BINS, COUNT))
    weight[:, ::3] = 0.0
    matrix, right = spectra(BINS, 8, 8, seed=7), spectra(BINS, 8, seed=8)
    re, im, sums = matrix.real.copy(), matrix.imag.copy(), right.copy()
    add_products(z.real.copy(), z.imag.copy(), x.real.copy(), x.imag.copy(), y, weight, SIZE,
                 re, im, sums)  # fmt: skip
    for k in range(BINS):
        u, v = (
            np.array([one[m, k, i : i + COUNT] for m in range(2) for i in range(SIZE)])
            for one in (z, x)
        )
        np.testing.assert_allclose(
            re[k] + 1j * im[k], matrix[k] + (weight[k] * u.conj()) @ v.T, rtol=1e-10
        )
        np.testing.assert_allclose(sums[k], right[k] + (weight[k] * u.conj()) @ y[k], rtol=1e-10)


def test_its_solution_is_the_filter_that_made_the_signal():
    taps, x = spectra(BINS, SIZE, seed=9), spectra(1, BINS, FRAMES, seed=10)
    y = np.empty((BINS, COUNT), np.complex128)
    filter_frames(taps, x[0], y)
    re, im = np.zeros((BINS, SIZE, SIZE)), np.zeros((BINS, SIZE, SIZE))
    right = np.zeros((BINS, SIZE), np.complex128)
    parts = x.real.copy(), x.imag.copy()
    add_products(*parts, *parts, y, np.ones((BINS, COUNT)), SIZE, re, im, right)
    found = np.linalg.solve(re + 1j * im, right[..., None])[..., 0]
    np.testing.assert_allclose(found, taps, rtol=1e-8)
