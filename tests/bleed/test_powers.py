# SPDX-License-Identifier: GPL-3.0-or-later
"""Levels over time in bands."""

import numpy as np
import pytest

from dsp.bleed.powers import (
    CENTRES_HZ,
    CROSSOVERS_HZ,
    FLOOR_DB,
    FRAME_S,
    frame_length,
    measure_levels,
)
from dsp.filters import low_pass, zero_phase_response

RATE = 48_000


def test_bands_lie_between_the_crossovers():
    assert len(CENTRES_HZ) == len(CROSSOVERS_HZ) + 1
    assert (np.array(CROSSOVERS_HZ) > CENTRES_HZ[:-1]).all()
    assert (np.array(CROSSOVERS_HZ) < CENTRES_HZ[1:]).all()


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_a_frame_lasts_as_long_at_every_rate(rate):
    assert frame_length(rate) / rate == pytest.approx(FRAME_S, rel=0.01)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("hz", [130.0, 540.0, 2222.0, 8000.0])
def test_a_sine_is_heard_in_every_band_as_the_filters_say(hz, rate):
    track = 0.5 * np.sin(2 * np.pi * hz * np.arange(rate) / rate)
    levels, calm = measure_levels(track[:, None], rate)
    middle = slice(len(levels) // 4, 3 * len(levels) // 4)
    below = [zero_phase_response(low_pass(c, rate), np.array([hz]), rate)[0] for c in CROSSOVERS_HZ]
    shares = np.diff([0.0, *below, 1.0])
    inside = int(np.searchsorted(CROSSOVERS_HZ, hz))
    for each in (levels, calm):
        mean = 10 * np.log10((10 ** (each[middle].astype(float) / 10)).mean(axis=0))
        assert int(np.argmax(mean)) == inside
        np.testing.assert_allclose(
            mean[inside - 2 : inside + 3],
            20 * np.log10(0.5 / np.sqrt(2) * np.abs(shares[inside - 2 : inside + 3])),
            atol=0.1,
        )


def test_channels_add_in_power_and_silence_is_the_floor():
    noise = np.random.default_rng(1).standard_normal((9000, 1)) / 10
    one, _ = measure_levels(noise, RATE)
    two, _ = measure_levels(np.repeat(noise, 2, axis=1), RATE)
    np.testing.assert_allclose(two, one + 10 * np.log10(2), atol=1e-3)
    silent, calm = measure_levels(np.zeros((9000, 1)), RATE)
    np.testing.assert_allclose(silent, FLOOR_DB, atol=1e-3)
    np.testing.assert_allclose(calm, FLOOR_DB, atol=1e-3)


@pytest.mark.parametrize("frames", [1, 63, 64, 65, 100_000])
def test_every_sample_lies_in_a_frame(frames):
    levels, calm = measure_levels(np.ones((frames, 1)), RATE)
    assert levels.shape == calm.shape == (-(-frames // 64), len(CENTRES_HZ))


def test_workers_do_not_matter(monkeypatch):
    noise = np.random.default_rng(2).standard_normal((150_000, 1))
    first = measure_levels(noise, RATE)
    for workers in (1, 3):
        monkeypatch.setattr("os.cpu_count", lambda workers=workers: workers)
        again = measure_levels(noise, RATE)
        assert all(a.tobytes() == b.tobytes() for a, b in zip(first, again, strict=True))
