# SPDX-License-Identifier: GPL-3.0-or-later
"""Levels over time in bands."""

import numpy as np
import pytest
from scipy.signal import resample_poly

from dsp.bleed.powers import (
    CENTRES_HZ,
    CROSSOVERS_HZ,
    FLOOR_DB,
    FRAME_S,
    measure_levels,
    over_bands,
)
from dsp.filters import low_pass, zero_phase_response
from dsp.hits.hearing import lowering

RATE = 48_000


def test_bands_lie_between_the_crossovers():
    assert len(CENTRES_HZ) == len(CROSSOVERS_HZ) + 1
    assert (np.array(CROSSOVERS_HZ) > CENTRES_HZ[:-1]).all()
    assert (np.array(CROSSOVERS_HZ) < CENTRES_HZ[1:]).all()


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_frames_last_as_long_at_every_rate_and_do_not_drift(rate):
    made = measure_levels(np.ones((2 * rate, 1)), rate)
    nominal = np.arange(len(made.edges)) * FRAME_S * rate
    assert np.abs(made.edges - nominal).max() <= 0.5 + 1e-9
    assert made.edges[-1] >= 2 * rate > made.edges[-2]


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("hz", [130.0, 540.0, 2222.0, 8000.0])
def test_a_sine_is_heard_in_every_band_as_the_filters_say(hz, rate):
    track = 0.5 * np.sin(2 * np.pi * hz * np.arange(rate) / rate)
    made = measure_levels(track[:, None], rate)
    middle = slice(len(made.level) // 4, 3 * len(made.level) // 4)
    at = rate // lowering(rate)  # above 64 kHz a track is listened to at a lower rate
    below = [zero_phase_response(low_pass(c, at), np.array([hz]), at)[0] for c in CROSSOVERS_HZ]
    shares = np.diff([0.0, *below, 1.0])
    inside = int(np.searchsorted(CROSSOVERS_HZ, hz))
    for each in (made.level, made.calm):
        mean = 10 * np.log10((10 ** (each[middle].astype(float) / 10)).mean(axis=0))
        assert int(np.argmax(mean)) == inside
        near = slice(inside - 2, inside + 3)
        expected = 20 * np.log10(np.abs(shares[near] / shares[inside]))
        np.testing.assert_allclose(mean[near] - mean[inside], expected, atol=0.1)


@pytest.mark.parametrize("rate", [88_200, 192_000])
def test_levels_are_the_same_at_every_rate(rate):
    low = 48_000 if rate % 48_000 == 0 else 44_100
    noise = resample_poly(np.random.default_rng(3).standard_normal(low) / 10, 2, 1)
    one = measure_levels(noise[:, None], low)
    other = measure_levels(resample_poly(noise, rate // low, 1)[:, None], rate)
    # A frame of 44.1 kHz may be a sample longer or shorter.
    apart = np.abs(one.level - other.level)[20:-20]
    assert np.median(apart) < 0.05
    assert np.quantile(apart, 0.99) < 0.5


def test_channels_add_in_power_and_gain_does_not_matter():
    rng = np.random.default_rng(1)
    noise, silent = rng.standard_normal((9000, 1)) / 10, np.zeros((9000, 1))
    one = measure_levels(noise, RATE)
    for same in (np.hstack([noise, noise]), np.hstack([noise, silent]), 1e-3 * noise, -8 * noise):
        np.testing.assert_allclose(measure_levels(same, RATE).level, one.level, atol=1e-3)
    first, second = np.copy(noise), np.copy(noise)
    first[4500:], second[:4500] = 0.0, 0.0
    apart = measure_levels(np.hstack([first, second]), RATE)
    inside = np.abs(apart.middles - 4500) > 1500
    inside &= apart.middles < 7500
    np.testing.assert_allclose(apart.level[inside], one.level[inside], atol=0.5)


def test_a_silent_stretch_is_at_the_floor():
    noise = np.random.default_rng(1).standard_normal((60_000, 1)) / 10
    noise[20_000:40_000] = 0.0
    made = measure_levels(noise, RATE)
    frame = made.frame_of(np.array([30_000]))
    assert made.level[frame].max() < FLOOR_DB + 1


@pytest.mark.parametrize("frames", [1, 63, 64, 65, 100_000])
def test_every_sample_lies_in_a_frame(frames):
    made = measure_levels(np.ones((frames, 1)), RATE)
    assert made.level.shape == made.calm.shape == (-(-frames // 64), len(CENTRES_HZ))
    samples = np.arange(0, frames, 7)
    frame = made.frame_of(samples)
    assert (made.edges[frame] <= samples).all()
    assert (samples < made.edges[frame + 1]).all()
    assert (made.edges[:-1] <= made.middles).all()
    assert (made.middles < made.edges[1:]).all()


@pytest.mark.parametrize(("ahead", "behind"), [(1, 0), (12_345, 777), (64, 48_000)])
def test_silence_around_the_track_changes_nothing(ahead, behind):
    noise = np.random.default_rng(5).standard_normal((30_000, 1)) / 10
    here = measure_levels(noise, RATE)
    there = measure_levels(np.pad(noise, ((ahead, behind), (0, 0))), RATE)
    assert there.level.tobytes() == here.level.tobytes()
    assert there.calm.tobytes() == here.calm.tobytes()
    assert (there.edges - ahead == here.edges).all()


def test_workers_do_not_matter(monkeypatch):
    noise = np.random.default_rng(2).standard_normal((150_000, 1))
    first = measure_levels(noise, RATE)
    for workers in (1, 3):
        monkeypatch.setattr("os.cpu_count", lambda workers=workers: workers)
        again = measure_levels(noise, RATE)
        assert again.level.tobytes() == first.level.tobytes()
        assert again.calm.tobytes() == first.calm.tobytes()


def test_every_band_is_worked_on_once():
    counted = np.zeros(len(CENTRES_HZ), int)

    def work(bands):
        counted[bands] += 1

    over_bands(work)
    assert (counted == 1).all()


def test_what_happens_in_a_worker_is_told():
    def work(bands):
        raise ArithmeticError(bands.start)

    with pytest.raises(ArithmeticError):
        over_bands(work)
