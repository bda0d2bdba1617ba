# SPDX-License-Identifier: GPL-3.0-or-later
"""Short-time spectra: there and back is nothing, and a chunk knows nothing of others."""

import numpy as np
import pytest
from scipy.signal import stft

from dsp.bleed.short_time import ShortTime


def noise(count, seed=1):
    return np.random.default_rng(seed).standard_normal(count)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_frames_last_as_long_at_every_rate(rate):
    frames = ShortTime.at(rate)
    assert frames.size == 4 * frames.hop
    assert frames.size / rate == pytest.approx(0.0853, rel=0.03)  # FFTs of handy lengths


@pytest.mark.parametrize("count", [1, 1000, 4096, 50_001])
@pytest.mark.parametrize("chunk", [1, 7, 1000])
def test_there_and_back_in_chunks_is_nothing(count, chunk):
    x, frames = noise(count), ShortTime.at(48_000)
    out = np.zeros(count)
    for first in range(0, frames.count(count), chunk):
        frames.add_back(frames.spectra(x, first, chunk), first, out)
    np.testing.assert_allclose(out, x, atol=1e-12)


def test_chunks_are_parts_of_the_whole():
    x, frames = noise(30_000), ShortTime.at(48_000)
    whole = frames.spectra(x, -2, 36)
    np.testing.assert_array_equal(frames.spectra(x, 5, 9), whole[:, 7:16])
    assert not whole[:, :2].any()  # frame 0 is the first that holds a sample
    assert not frames.spectra(x, frames.count(len(x)), 3).any()


def test_spectra_are_those_of_a_general_library():
    """`scipy.signal.stft` with the same window; it scales by the window's sum."""
    x, frames = noise(40_000), ShortTime.at(48_000)
    _, _, theirs = stft(
        np.concatenate([np.zeros(frames.size - frames.hop), x]),
        window=frames.window,
        nperseg=frames.size,
        noverlap=frames.size - frames.hop,
        boundary=None,
        padded=False,
    )
    ours = frames.spectra(x, 0, theirs.shape[1]) / frames.window.sum()
    np.testing.assert_allclose(ours, theirs, atol=1e-12)
