# SPDX-License-Identifier: GPL-3.0-or-later
"""The drum's tuning, its rings, and the level of what lies between."""

import numpy as np
import pytest

from dsp.demo.drum import Blow, make_modes, strike
from dsp.demo.snare import SNARE, make_snare
from dsp.hits import find_hits
from tests.hits.drums import RATE, Mode, groove, membrane, play, two_headed

FUNDAMENTALS_HZ = (120.0, 160.0, 196.0, 240.0, 300.0, 380.0, 450.0, 550.0)


@pytest.mark.parametrize("second_db", [-6.0, 0.0, 6.0])
@pytest.mark.parametrize("ratio", [1.5, 1.7, 1.9])
@pytest.mark.parametrize("hz", FUNDAMENTALS_HZ)
def test_the_lower_mode_of_two_heads_is_the_fundamental(hz, ratio, second_db):
    # Rossing, Bork, Zhao, Fystrom, JASA 92(1), 1992: the (0, 1) pair of a snare drum lies at 182
    # and 330 Hz, a ratio of 1.8 (from memory)
    track, _, _ = groove(two_headed(hz, ratio, second_db), count=7)
    # within 1 % in 71 of 72 cases, 1.02 % in one
    assert find_hits(track, RATE).fundamental_hz == pytest.approx(hz, rel=0.011)


@pytest.mark.parametrize("hz", FUNDAMENTALS_HZ)
def test_an_ideal_membrane_sounds_at_its_lowest_mode(hz):
    track, _, _ = groove(membrane(hz), count=7)
    assert find_hits(track, RATE).fundamental_hz == pytest.approx(hz, rel=0.01)


@pytest.mark.parametrize("second_db", [0.0, 6.0])
def test_tuning_holds_in_bleed(second_db):
    # a kick and a tom ring under some of the strokes, each 6 dB louder than the fundamental
    track, onsets, _ = groove(two_headed(196, 1.7, second_db), bleed_db=-45)
    time = np.arange(RATE // 2) / RATE
    for number, hz in ((1, 55.0), (4, 55.0), (7, 118.0), (9, 118.0)):
        ring = 0.6 * np.exp(-time / 0.12) * np.sin(2 * np.pi * hz * time)
        at = onsets[number] + 600
        part = ring[: len(track) - at]
        track[at : at + len(part), 0] += part
    assert find_hits(track, RATE).fundamental_hz == pytest.approx(196, rel=0.01)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_demos_drum_has_its_fundamental(seed):
    snare = make_snare(RATE, seed)
    track = np.random.default_rng(seed).standard_normal(4 * RATE) * 10 ** (-75 / 20)
    for number in range(8):
        rng = np.random.default_rng(10 * seed + number)
        level = -18.0 if number % 4 == 2 else -2.0
        above, _ = snare.play(snare.draw(level, False, rng), rng)
        at = 9000 + 21_000 * number
        part = 0.3 * above[: len(track) - at]
        track[at : at + len(part)] += part
    found = find_hits(track[:, None], RATE).fundamental_hz
    assert found == pytest.approx(snare.fundamental_hz, rel=0.01)


def test_tension_moves_the_fundamental_by_its_root():
    # the demo's drum without wires or pitch glide; all tensions by 1.21: frequencies by 1.1
    # where the air's spring is left out
    from dataclasses import replace

    ratios = []
    for factor in (1.0, 1.21):
        heads = {
            name: replace(getattr(SNARE, name), tension=getattr(SNARE, name).tension * factor)
            for name in ("batter", "resonant")
        }
        drum = replace(SNARE, air=0.0, glide=0.0, **heads)
        modes = make_modes(drum)
        blow = Blow(0.0, 0.2, 0.3, False, np.ones(len(modes.hz)))
        one = strike(drum, modes, blow, RATE // 3, RATE)[0]
        track = np.zeros(3 * RATE)
        for at in range(5000, 3 * RATE - len(one), 20_000):
            track[at : at + len(one)] += one / np.abs(one).max() / 2
        track += 1e-4 * np.random.default_rng(1).standard_normal(len(track))
        ratios.append(find_hits(track[:, None], RATE).fundamental_hz)
    assert ratios[1] / ratios[0] == pytest.approx(1.1, rel=0.01)


@pytest.mark.parametrize("second_db", [-3.0, 3.0])
@pytest.mark.parametrize("t60_s", [0.2, 0.35, 0.6])
@pytest.mark.parametrize("hz", [200.0, 300.0])
def test_rings_have_their_frequency_and_decay(hz, t60_s, second_db):
    modes = (Mode(hz, 0.0, 0.4), Mode(1.8 * hz, second_db, t60_s))
    track, _, _ = groove(modes, count=9, bleed_db=-80, apart_s=0.6)
    rings = find_hits(track, RATE).rings
    ring = min(rings, key=lambda one: abs(one.hz - 1.8 * hz))
    assert ring.hz == pytest.approx(1.8 * hz, rel=0.01)
    assert ring.t60_s == pytest.approx(t60_s, rel=0.07)


def test_rings_lie_above_the_fundamental_and_the_clearest_comes_first():
    modes = (Mode(200, 0.0, 0.4), Mode(330, -6.0, 0.3), Mode(540, 0.0, 0.5))
    track, _, _ = groove(modes, count=9, bleed_db=-80)
    rings = find_hits(track, RATE).rings
    assert all(ring.hz > 1.25 * 200 for ring in rings)
    assert rings[0].hz == pytest.approx(540, rel=0.01)


@pytest.mark.parametrize("peak_dbfs", [-70.0, -55.0, -40.0])
def test_bleed_is_the_level_of_peaks_between_the_strokes(peak_dbfs):
    # uniform noise: the peak of 20 ms lies within 0.05 dB of its bound
    track = play(membrane(200), [], [], 5 * RATE, bleed_db=-200)
    for number, at in enumerate(range(10_000, 5 * RATE, 48_000)):
        one = play(membrane(200), [0], [-2.0 - number], 24_000, bleed_db=-200)
        track[at : at + len(one)] += one[: len(track) - at]
    noise = np.random.default_rng(3).uniform(-1, 1, track.shape)
    hits = find_hits(track + 10 ** (peak_dbfs / 20) * noise, RATE)
    assert hits.bleed_dbfs == pytest.approx(peak_dbfs, abs=0.5)


def test_nothing_between_the_strokes_is_no_bleed():
    track = play(membrane(200), [9600, 60_000, 110_000], [-2.0, -4.0, -3.0], 200_000, bleed_db=-400)
    track[np.abs(track) < 1e-9] = 0.0
    assert find_hits(track, RATE).bleed_dbfs == -np.inf
