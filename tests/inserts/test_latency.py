# SPDX-License-Identifier: GPL-3.0-or-later
"""Latency is what is measured as latency, for every effect of pedalboard and for stand-ins."""

import numpy as np
import pedalboard
import pytest
from pedalboard_native._internal import AddLatency

from dsp.inserts.effects import effect_classes, mix_ends
from dsp.inserts.host import open_effect
from dsp.inserts.latency import CLEAR, DRY, PERIOD, dry, latency_of, measure_latency, probe
from tests.inserts.doubles import Double

RATE = 48_000
IMPULSE = np.zeros(300)
IMPULSE[[0, 7, 200]] = 1.0, -0.5, 0.25
# Settings at which an effect does much, and is as late as it can be
STRONG = {
    "BrickwallLimiter": {"ceiling_db": -20.0, "lookahead_ms": 10.0},
    "Chorus": {"mix": 1.0, "centre_delay_ms": 20.0},
    "Compressor": {"threshold_db": -30.0, "ratio": 8.0},
    "Delay": {"delay_seconds": 0.05, "mix": 1.0},
    "HighShelfFilter": {"gain_db": -18.0},
    "LadderFilter": {"mode": "LPF24", "cutoff_hz": 100.0},
    "Limiter": {"threshold_db": -20.0},
    "LowShelfFilter": {"gain_db": 12.0, "q": 2.0},
    "NoiseGate": {"threshold_db": -10.0},
    "PeakFilter": {"gain_db": 18.0, "q": 8.0},
    "Phaser": {"mix": 1.0, "feedback": 0.5},
    "PitchShift": {"semitones": 4.0},
    "Reverb": {"wet_level": 1.0, "dry_level": 0.0},
}
NOT_CLEAR = {"PitchShift"}  # nothing of the sound comes through unchanged


def settings_of(effect, tmp_path):
    if effect != "Convolution":
        return STRONG.get(effect, {})
    from pedalboard.io import AudioFile

    late = np.roll(IMPULSE, 40).astype(np.float32)  # a room begins late, and is to stay so
    with AudioFile(str(tmp_path / "room.wav"), "w", RATE, 1, bit_depth=32) as file:
        file.write(late[None])
    return {"impulse_response_filename": str(tmp_path / "room.wav")}


def measured(effect, settings):
    untouched = dry(settings, mix_ends(effect, None))
    return measure_latency(open_effect(effect, None, untouched), 1, RATE, effect)


@pytest.mark.parametrize("effect", effect_classes())
def test_effects_of_pedalboard_have_no_latency_left_and_what_they_are_for_stays(effect, tmp_path):
    for settings in ({}, settings_of(effect, tmp_path)):
        if effect == "Convolution" and not settings:
            continue
        found = measured(effect, settings)
        # a steep coder or a zero-order hold is clear to a sample
        assert found.samples == 0
        assert found.clear or (effect in NOT_CLEAR and bool(settings))


@pytest.mark.parametrize("effect", effect_classes())
@pytest.mark.parametrize("late", [1, 613, 4096])
def test_added_latency_is_found_at_any_settings(effect, late, tmp_path):
    settings = settings_of(effect, tmp_path)
    untouched = dry(settings, mix_ends(effect, None))
    double = Double(open_effect(effect, None, untouched), late)
    found = measure_latency(double, 1, RATE, effect)
    if effect in NOT_CLEAR:
        assert (found.samples, found.clear) == (0, False)
    else:
        # a low-pass of 24 dB an octave at 100 Hz leaves too little to tell a sample
        tolerance = 2 if effect == "LadderFilter" else 0
        assert abs(found.samples - late) <= tolerance


def test_what_is_measured_where_an_effect_has_no_untouched_sound():
    # the reason for measuring the untouched sound: all of an echo is late as latency is
    wet = pedalboard.Delay(0.05, mix=1.0)
    assert measure_latency(wet, 1, RATE, "").samples == 2400
    assert dry({"mix": 1.0}, {"mix": (0.0, 1.0), "feedback": (0.0, 1.0)}) == {"mix": 0.0}
    assert dry({}, {"dry_wet": (0.0, 100.0), "dry_level": (0.0, 2.0)}) == {
        "dry_wet": 0.0,
        "dry_level": 2.0,
    }
    assert set(DRY.values()) == {"low", "high"}


@pytest.mark.parametrize("late", [0, 1, 100, 4096])
def test_what_pedalboard_takes_off_itself_is_not_taken_off_again(late):
    assert measure_latency(AddLatency(late), 1, RATE, "").samples == 0


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate", [44_100, 192_000])
def test_rates_and_channels(rate, channels):
    peak = Double(pedalboard.PeakFilter(540.0, -6.0, 1.0), 333)
    assert measure_latency(peak, channels, rate, "").samples == 333


def test_an_effect_of_linear_phase_is_late_by_half_its_length():
    taps = np.sinc(0.05 * (np.arange(513) - 256)) * np.hanning(513)
    padded = np.zeros(PERIOD)
    padded[:513] = taps
    assert latency_of(np.fft.rfft(padded)).samples == 256
    assert latency_of(np.fft.rfft(np.roll(padded, -300))).samples == 256 - 300


def test_a_filter_of_least_delay_is_not_late_however_slowly_it_starts():
    hz = np.arange(PERIOD // 2 + 1) / PERIOD
    pole = 0.99 * np.exp(-2j * np.pi * hz)
    assert latency_of(1 / (1 - pole) ** 3).samples == 0


def test_silence_and_noise_are_not_clear():
    assert not latency_of(np.zeros(PERIOD // 2 + 1, complex)).clear
    noise = np.random.default_rng(3).standard_normal(PERIOD)
    found = latency_of(np.fft.rfft(noise))
    assert (found.samples, found.clear) == (0, False)
    assert 0.1 < CLEAR < 0.5


def test_the_probe_is_flat():
    assert np.abs(probe()).max() == pytest.approx(0.5)
    magnitude = np.abs(np.fft.rfft(probe()))
    np.testing.assert_allclose(magnitude, magnitude[1], rtol=1e-9)
