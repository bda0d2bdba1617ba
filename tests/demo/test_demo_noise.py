# SPDX-License-Identifier: GPL-3.0-or-later
"""Noise bands, wires and envelopes."""

import numpy as np
import pytest

from dsp.demo.noise import buzz, decay, fade_out, make_noise

RATE = 48_000


@pytest.fixture(scope="module")
def wires():
    return make_noise(2_000.0, 9_000.0, 12.0, RATE, [1, 2])


def band_level(samples, hz):
    spectrum = np.abs(np.fft.rfft(samples)) ** 2
    centre = round(hz * len(samples) / RATE)
    return 10 * np.log10(spectrum[centre - 800 : centre + 800].mean())


def test_noise_has_unit_power_its_band_and_its_slopes(wires):
    assert np.mean(wires.samples**2) == pytest.approx(1.0)
    middle = band_level(wires.samples, 4_200)
    assert band_level(wires.samples, 2_000) - middle == pytest.approx(-3, abs=0.6)
    assert band_level(wires.samples, 9_000) - middle == pytest.approx(-3, abs=0.6)
    assert band_level(wires.samples, 500) - middle == pytest.approx(-24, abs=1.2)


def test_noise_has_the_same_spectrum_at_every_rate(wires):
    twice = make_noise(2_000.0, 9_000.0, 12.0, 2 * RATE, [1, 2])
    for hz in (700, 2_000, 4_200, 9_000, 15_000):
        density = []
        for noise, rate in ((wires, RATE), (twice, 2 * RATE)):
            spectrum = np.abs(np.fft.rfft(noise.samples)) ** 2 / (len(noise.samples) * rate)
            centre = round(hz * len(noise.samples) / rate)
            density.append(spectrum[centre - 1_500 : centre + 1_500].mean())
        assert 10 * np.log10(density[1] / density[0]) == pytest.approx(0, abs=0.5)


def test_wires_are_silent_while_the_head_moves_less_than_the_threshold(wires):
    slow = 0.0299 * np.sin(np.arange(4_000) * 0.03)
    rng = np.random.default_rng(1)
    assert not buzz(slow, 0.03, wires, rng, RATE).any()


def test_wires_rattle_on_outward_swings_and_stop_with_them(wires):
    time = np.arange(RATE // 2) / RATE
    velocity = np.where(time < 0.1, 0.0, np.sin(2 * np.pi * 60 * time))
    velocity[time > 0.3] = 0.0
    sound = buzz(velocity, 0.1, wires, np.random.default_rng(1), RATE)
    assert not sound[: int(0.0995 * RATE)].any()
    assert not sound[int(0.32 * RATE) :].any()
    inside = sound[int(0.1 * RATE) : int(0.3 * RATE)].reshape(12, -1) ** 2
    halves = inside.reshape(12, 2, -1).mean(axis=(0, 2))
    assert halves[0] > 3 * halves[1]


def test_decay_falls_sixty_decibels_in_its_time_and_rises_from_above_zero():
    assert decay(0.5, 0.0, RATE, RATE)[RATE // 2] == pytest.approx(1e-3)
    risen = decay(0.5, 0.01, RATE, RATE)
    assert risen[0] > 0
    assert risen[479] == pytest.approx((1 - np.exp(-1)) * 10 ** (-3 * 479 / 24_000))


def test_fade_out_ends_in_zero_and_leaves_what_is_before_it():
    samples = np.ones(100)
    faded = fade_out(samples, 60, 20)
    assert len(faded) == 80
    assert np.all(faded[:60] == 1)
    assert faded[-1] == 0
    assert np.all(np.diff(faded[59:]) < 0)
    assert samples.sum() == 100
    assert len(fade_out(samples, 200, 20)) == 100
