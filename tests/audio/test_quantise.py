# SPDX-License-Identifier: GPL-3.0-or-later
"""The dither of 16-bit files."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.audio import SampleFormat, read_track, write_track
from dsp.audio.quantise import Quantiser

PCM16 = SampleFormat("wav", "pcm16")
CODE = 2.0**-15


def quantised(samples, seed=1):
    encoded = Quantiser(PCM16, seed).encode(samples[:, None])
    return np.frombuffer(encoded, "<i2") * CODE


@pytest.mark.parametrize("offset", [0.1, 0.25, 0.5, 0.75])
def test_mean_and_power_of_the_error_do_not_depend_on_the_signal(offset):
    """Total error of triangular dither: mean 0, variance 1/12 + 2/12 codes².

    Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992 (from memory). Bounds: 5 standard errors.
    """
    count = 200_000
    error = (quantised(np.full(count, offset * CODE)) - offset * CODE) / CODE
    assert abs(error.mean()) < 5 * np.sqrt(0.25 / count)
    # Fourth moment of the error ≤ 1.5^4, so the variance's own standard error is at most:
    assert abs(error.var() - 0.25) < 5 * np.sqrt(1.5**4 / count)
    assert np.abs(error).max() <= 1.5


def test_the_noise_is_triangular():
    """P(|noise| < t) = 1 − (1 − t)² for noise of triangular density within ±1."""
    noise = Quantiser(PCM16, 4)._triangular((100_000,))
    for t in (0.1, 0.5, 0.9):
        assert np.mean(np.abs(noise) < t) == pytest.approx(1 - (1 - t) ** 2, abs=0.008)
    assert np.abs(noise).max() < 1.0
    lagged = np.corrcoef(noise[1:], noise[:-1])[0, 1]
    assert abs(lagged) < 5 / np.sqrt(len(noise))


def test_only_samples_off_the_codes_are_dithered():
    codes = np.random.default_rng(0).integers(-(2**15), 2**15, 5000) * CODE
    mixed = codes.copy()
    mixed[::3] = np.clip(mixed[::3] * 0.9, -0.9, 0.9) + 0.3 * CODE
    result = quantised(mixed)
    on_code = np.arange(5000) % 3 != 0
    assert np.array_equal(result[on_code], codes[on_code])
    assert len(np.unique(np.round((result - mixed)[::3] / CODE, 1))) > 10


def test_low_level_sound_survives():
    """A sine of half a code is lost by rounding; with dither its level is kept."""
    sine = 0.4 * CODE * np.sin(2 * np.pi * 0.01 * np.arange(100_000))
    found = 2 * np.mean(quantised(sine) * np.sin(2 * np.pi * 0.01 * np.arange(100_000))) / CODE
    assert not np.rint(sine / CODE).any()
    assert found == pytest.approx(0.4, abs=0.02)


def test_tracks_of_a_take_get_independent_noise_and_reruns_the_same(tmp_path):
    samples = np.full((20_000, 1), 0.4 * CODE)
    for name in ("top.wav", "bottom.wav", "again/top.wav"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        write_track(tmp_path / name, samples, 48000, PCM16)
    top, bottom = (read_track(tmp_path / n).samples[:, 0] for n in ("top.wav", "bottom.wav"))
    assert abs(np.corrcoef(top, bottom)[0, 1]) < 5 / np.sqrt(len(top))
    again = (tmp_path / "again/top.wav").read_bytes()
    assert again == (tmp_path / "top.wav").read_bytes()
