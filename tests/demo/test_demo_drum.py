# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes on drums and cymbals: pitch, decay, dynamics."""

import numpy as np
import pytest

from dsp.demo.drum import (
    Blow,
    contact_time,
    fundamental,
    make_modes,
    pair_of,
    strike,
)
from dsp.demo.kit import DRUMS, make_kit
from dsp.demo.snare import SNARE, make_snare

RATE = 48_000


@pytest.fixture(scope="module")
def snare():
    return make_snare(RATE, 1)


@pytest.fixture(scope="module")
def kit():
    return make_kit(RATE, 1)


def played(snare, level_db, seed, rim=False):
    rng = np.random.default_rng(seed)
    return snare.play(snare.draw(level_db, rim, rng), rng)


def centroid(samples):
    power = np.abs(np.fft.rfft(samples)) ** 2
    return np.sum(power * np.fft.rfftfreq(len(samples), 1 / RATE)) / power.sum()


def test_the_coupled_pairs_lie_as_measured_drums_do():
    # Rossing, Bork, Zhao and Fystrom, JASA 92(1), 1992: (0, 1) 182 and 330 Hz (from memory)
    lower, upper = pair_of(SNARE, 0)[0]
    assert 1.5 < upper / lower < 1.9
    lower, upper = pair_of(SNARE, 1)[0]
    assert 1.1 < upper / lower < 1.5


def test_every_mode_is_there_once_with_a_twin_where_it_has_nodal_diameters():
    modes = make_modes(SNARE)
    assert len(modes.hz) == 2 + 3 + 2 * (2 + 3 + 5 * 4)
    assert modes.hz.min() == pytest.approx(fundamental(SNARE))
    order = np.argsort(modes.hz)
    assert np.all(np.diff(modes.t60[order]) <= 0)


@pytest.mark.parametrize("seed", range(4))
def test_the_tail_of_a_full_stroke_sounds_at_the_fundamental(snare, seed):
    tail = played(snare, 0.0, seed)[0, RATE // 10 :]
    spectrum = np.abs(np.fft.rfft(tail * np.hanning(len(tail)), 1 << 17))
    peak = spectrum.argmax() * RATE / (1 << 17)
    assert peak == pytest.approx(snare.fundamental_hz, rel=0.01)


def test_the_fundamental_decays_in_a_plausible_time(snare):
    sound = played(snare, 0.0, 1)[0]
    time = np.arange(len(sound)) / RATE
    turned = sound * np.exp(-2j * np.pi * snare.fundamental_hz * time)
    window = np.hanning(RATE // 25)
    envelope = np.abs(np.convolve(turned, window / window.sum(), "valid"))
    early, late = envelope[RATE // 10], envelope[RATE * 4 // 10]
    t60 = 60 * 0.3 / (20 * np.log10(early / late))
    assert 0.3 < t60 < 0.9
    assert t60 == pytest.approx(SNARE.t60, rel=0.1)


def test_softer_strokes_are_duller(snare):
    for side in (0, 1):
        brightness = [
            np.mean([centroid(played(snare, level, seed)[side]) for seed in range(4)])
            for level in (-26.0, -18.0, -9.0, 0.0)
        ]
        assert np.all(np.diff(brightness) > 0)


def test_softer_strokes_touch_longer():
    even = np.ones(1)
    times = [
        contact_time(SNARE, Blow(level, 0.2, 0.0, False, even)) for level in (0.0, -13.0, -26.0)
    ]
    assert times == pytest.approx([0.0009, np.sqrt(0.0009 * 0.0026), 0.0026])


def test_levels_are_peaks_of_the_heads_sound(snare):
    even = np.ones(len(snare.modes.hz))
    for level in (-26.0, -13.0, 0.0):
        sides = strike(SNARE, snare.modes, Blow(level, 0.2, 0.0, False, even), RATE // 10, RATE)
        scaled = sides * [[np.interp(level, [-26, -13, 0], row[[0, 2, 4]])] for row in snare.units]
        assert 20 * np.log10(np.abs(scaled).max(axis=1)) == pytest.approx([level] * 2, abs=1e-9)


def test_heads_moving_together_push_below_and_pull_above(snare):
    tone = np.exp(-2j * np.pi * snare.fundamental_hz * np.arange(RATE // 2) / RATE)
    above, below = (np.sum(side[: RATE // 2] * tone) for side in played(snare, -2.0, 5))
    assert abs(np.angle(-below / above)) < 0.2


def test_the_attack_pulls_above_first(snare):
    above = played(snare, 0.0, 2)[0]
    assert above[np.abs(above[:24]).argmax()] < -0.5


def test_two_strokes_differ_and_one_repeats(snare):
    assert np.array_equal(played(snare, -1.0, 7), played(snare, -1.0, 7))
    assert np.abs(played(snare, -1.0, 7) - played(snare, -1.0, 8)).max() > 0.05


def test_wires_are_louder_below(snare):
    above, below = played(snare, 0.0, 3)[:, RATE // 50 : RATE // 5]
    hz = np.fft.rfftfreq(len(above), 1 / RATE)
    wires = (hz > 3_000) & (hz < 9_000)
    power = [np.sum(np.abs(np.fft.rfft(side))[wires] ** 2) for side in (above, below)]
    assert 10 * np.log10(power[1] / power[0]) > 10


@pytest.mark.parametrize("seed", range(4))
def test_a_rim_shot_has_more_of_the_high_modes(snare, seed):
    shares = []
    for rim in (False, True):
        sound = played(snare, 0.0, seed, rim)[0]
        power = np.abs(np.fft.rfft(sound)) ** 2
        hz = np.fft.rfftfreq(len(sound), 1 / RATE)
        shares.append(power[(hz > 500) & (hz < 1_600)].sum() / power[hz < 450].sum())
    assert shares[1] > 1.2 * shares[0]


@pytest.mark.parametrize(
    ("voice", "hz"), [("kick", (45, 65)), ("rack", (120, 150)), ("floor", (70, 95))]
)
def test_kick_and_toms_sound_at_their_fundamentals(kit, voice, hz):
    own = fundamental(DRUMS[voice])
    assert hz[0] < own < hz[1]
    tail = kit.drum(voice, -1.0, np.random.default_rng(1))[RATE // 10 :]
    spectrum = np.abs(np.fft.rfft(tail * np.hanning(len(tail)), 1 << 17))
    assert spectrum.argmax() * RATE / (1 << 17) == pytest.approx(own, rel=0.03)


def band_decay(sound, low, high):
    """T60 of a band from the straight middle of its backward-integrated energy."""
    padded = 2 * len(sound)  # the band filter rings both ways: keep its wrap off the tail
    spectrum = np.fft.rfft(sound, padded)
    hz = np.fft.rfftfreq(padded, 1 / RATE)
    spectrum[(hz < low) | (hz > high)] = 0
    band = np.fft.irfft(spectrum, padded)[: len(sound)]
    left = np.cumsum((band**2)[::-1])[::-1]
    level = 10 * np.log10(left / left[0] + 1e-30)
    first, last = np.argmax(level < -5), np.argmax(level < -25)
    return 60 * (last - first) / RATE / 20


def test_cymbals_ring_as_long_as_they_should_and_low_bands_longest(kit):
    def times(voice, kind):
        sound = kit.cymbal(voice, kind, 0.0, np.random.default_rng(1))
        return band_decay(sound, 600, 1_500), band_decay(sound, 8_000, 12_000)

    crash, ride = times("crash", "edge"), times("ride", "tip")
    opened, closed = times("hat", "open"), times("hat", "closed")
    assert 3.0 < crash[0] < 5.0
    for low, high in (crash, ride, opened, closed):
        assert low > high
    assert crash[1] > ride[1] > opened[1] > 3 * closed[1]


def test_a_hat_is_broadband_above_the_drum(kit):
    sound = kit.cymbal("hat", "closed", 0.0, np.random.default_rng(1))
    power = np.abs(np.fft.rfft(sound)) ** 2
    hz = np.fft.rfftfreq(len(sound), 1 / RATE)
    assert power[hz > 3_000].sum() > 0.8 * power.sum()
    assert power[hz < 300].sum() < 0.002 * power.sum()
