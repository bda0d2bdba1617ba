# SPDX-License-Identifier: GPL-3.0-or-later
"""How strong strokes are, what that is as MIDI velocity, and which are ghosts."""

import numpy as np
import pytest
from scipy.stats import spearmanr

from dsp.hits import find_hits
from dsp.hits.spectra import CENTRES_HZ, LOW, TAIL, TILT_OCTAVES, DrumStroke, Spectra
from dsp.hits.strength import blend_levels, measure_levels, rank_strokes
from tests.hits.drums import RATE, groove, membrane, play

# 40 lg(v / 127) (DLS level 1; Dannenberg, "The Interpretation of MIDI Velocity", ICMC 2006),
# computed from the published formula
SQUARE_LAW_DB = {
    127: 0.0, 120: -0.98, 112: -2.18, 100: -4.15, 96: -4.86, 80: -8.03, 64: -11.90, 48: -16.90,
    32: -23.95, 16: -35.99, 10: -44.15, 1: -84.15,
}  # fmt: skip


@pytest.mark.parametrize(("velocity", "db"), SQUARE_LAW_DB.items())
def test_velocity_follows_the_square_law(velocity, db):
    strength, found, _ = rank_strokes(np.array([0.0, 0.0, 0.0, 0.0, 0.0, db]))
    assert found[-1] == velocity
    assert strength[-1] == pytest.approx(db, abs=1e-9)
    assert 40 * np.log10(found[-1] / 127) == pytest.approx(db, abs=0.01)


def test_twelve_decibels_under_a_full_stroke_is_64_and_louder_ones_stay_at_127():
    _, velocity, _ = rank_strokes(np.array([3.0, 0.0, 0.0, 0.0, 0.0, -12.0, -300.0]))
    assert velocity.tolist() == [127, 127, 127, 127, 127, 64, 1]


def test_velocities_repeat_within_half_a_step():
    levels = np.linspace(-60, 0, 241)
    strength, velocity, _ = rank_strokes(np.concatenate([np.zeros(400), levels]))
    exact = 127 * 10 ** (strength / 40)
    assert np.abs(velocity - np.clip(exact, 1, 127)).max() <= 0.5 + 1e-9


def test_adding_the_same_level_to_all_changes_nothing():
    levels = np.random.default_rng(2).uniform(-30, 0, 40)
    for shift in (-37.25, 12.5):
        strength, velocity, ghost = rank_strokes(levels + shift)
        plain = rank_strokes(levels)
        np.testing.assert_allclose(strength, plain[0], atol=1e-12)
        assert (velocity == plain[1]).all()
        assert (ghost == plain[2]).all()


@pytest.mark.parametrize("level", [-16.1, -14.0, -12.1])
def test_ghosts_lie_under_a_quarter_of_a_full_strokes_amplitude(level):
    # common practice, no source
    _, _, ghost = rank_strokes(np.array([0.0, -1.0, 1.0, 0.0, level, -30.0]))
    assert ghost.tolist() == [False, False, False, False, True, True]


def test_where_strokes_fall_into_two_heaps_the_gap_between_them_tells_ghosts():
    _, _, ghost = rank_strokes(np.array([0.0, 0.5, -0.5, 0.0, -8.5, -9.0, -13.9, -15.0, -18.0]))
    assert ghost.tolist() == [False] * 6 + [True] * 3


def test_one_stroke_is_a_full_one():
    strength, velocity, ghost = rank_strokes(np.array([-7.0]))
    assert (strength[0], velocity[0], ghost[0]) == (0.0, 127, False)


def strokes(levels, tilt=0.0, spread_db=0.0):
    """A drum, its strokes at some levels, each dB per octave duller, alone, and as explained."""
    power = 10 ** (-np.arange(len(CENTRES_HZ)) / 20)
    drum = DrumStroke(power, np.zeros(0, dtype=np.int64))
    uneven = spread_db * np.random.default_rng(3).standard_normal((len(levels), len(power)))
    own = power * 10 ** ((np.array(levels)[:, None] - tilt * TILT_OCTAVES + uneven) / 10)
    explained = np.zeros((len(levels), 11))
    explained[:, 4] = 2 * np.round(np.array(levels) / 2)  # levels are explained in steps
    explained[:, 5] = tilt
    return drum, own, explained


PLAYED = [0.0, -1.3, -4.9, -11.2, -17.7, -24.5]


def test_what_is_measured_is_energy_and_not_only_the_attack():
    drum, own, explained = strokes(PLAYED)
    longer = own.copy()
    longer[:, TAIL] *= 1.25
    quiet = np.full_like(own, 1e-12)
    levels = measure_levels(Spectra(own, quiet), drum, explained)
    np.testing.assert_allclose(levels, PLAYED, atol=0.01)
    assert (measure_levels(Spectra(longer, quiet), drum, explained) > levels + 0.1).all()


@pytest.mark.parametrize("band", [slice(0, 3), slice(24, 27), slice(40, 43)])
def test_bleed_that_starts_with_a_stroke_in_a_few_bands_is_not_its_strength(band):
    drum, own, explained = strokes(PLAYED)
    with_bleed = own.copy()
    with_bleed[:, band] *= 10**1.5
    levels = measure_levels(Spectra(with_bleed, np.full_like(own, 1e-12)), drum, explained)
    np.testing.assert_allclose(levels, PLAYED, atol=0.8)


@pytest.mark.parametrize("under_db", [-3.0, 3.0])
def test_strokes_in_what_rings_on_are_told_by_the_bands_that_stand_out(under_db):
    # what rings on adds with any phase: up to twice the power that both have alone, or none
    drum, own, explained = strokes(PLAYED, tilt=2.0, spread_db=0.5)
    alone = measure_levels(Spectra(own, np.full_like(own, 1e-12)), drum, explained)
    before = np.full_like(own, 1e-12)
    before[:, : LOW + 4] = 10 ** (under_db / 10) * own[:, : LOW + 4]
    phase = np.cos(np.random.default_rng(8).uniform(0, 2 * np.pi, own.shape))
    both = own + before + 2 * np.sqrt(own * before) * phase
    levels = measure_levels(Spectra(both, before), drum, explained)
    np.testing.assert_allclose(levels, alone, atol=0.5)


@pytest.mark.parametrize("bleed_db", [-70.0, -50.0])
def test_strengths_of_synthetic_strokes_are_their_levels(bleed_db):
    track, _, levels = groove(membrane(200), count=15, bleed_db=bleed_db)
    hits = find_hits(track, RATE)
    assert len(hits) == len(levels)
    played = np.array(levels)
    relative = played - np.median(played[played > -6])
    # the mean level of a band is not the peak's: soft strokes of this drum are duller
    assert np.abs(hits.strength_db - relative).max() < 2.0
    assert spearmanr(hits.strength_db, played).statistic > 0.97
    assert hits.ghost.tolist() == [level <= -12 for level in levels]
    exact = 127 * 10 ** (np.minimum(hits.strength_db, 0) / 40)
    assert np.abs(hits.velocity - exact).max() <= 0.5 + 1e-9


def test_peaks_are_sample_peaks_of_the_strokes():
    onsets = [9600 + 24_000 * n for n in range(8)]
    levels = [-1.0, -4.0, -18.0, -2.0, -0.5, -20.0, -3.0, -1.0]
    track = play(membrane(200), onsets, levels, 220_000, bleed_db=-90)
    hits = find_hits(track, RATE)
    for peak, at in zip(hits.peak_dbfs, onsets, strict=True):
        assert peak == pytest.approx(20 * np.log10(np.abs(track[at : at + 2880]).max()), abs=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_full_strokes_of_one_level_get_one_velocity(seed):
    rng = np.random.default_rng(seed)
    onsets = np.cumsum(rng.integers(14_000, 26_000, 12)).tolist()
    track = play(membrane(210), onsets, [-2.0] * 12, onsets[-1] + 24_000)
    velocity = find_hits(track, RATE).velocity
    assert velocity.min() >= 122


def test_levels_that_no_band_tells_are_told_by_the_waveform():
    true = np.linspace(-25.0, 0.0, 40)
    bands, matched = np.full(40, 30.0), np.full(40, 20.0)
    bands[[5, 20]], level = 0.5, true.copy()
    level[[5, 20]] += [4.0, -3.0]
    wave = 1.1 * true - 7.0
    blended = blend_levels(level, bands, wave, matched)
    np.testing.assert_allclose(blended, true, atol=0.3)
    np.testing.assert_array_equal(
        blend_levels(level[:5], bands[:5], wave[:5], matched[:5]), level[:5]
    )
