# SPDX-License-Identifier: GPL-3.0-or-later
"""Fixed filters against the Audio EQ Cookbook (W3C Group Note, 8 June 2021)."""

import math

import numpy as np
import pytest
from scipy.signal import freqz, lfilter

from dsp.filters import bell, cookbook_section, high_shelf, low_shelf, octaves_to_q
from dsp.fixed_filters import MinimumPhase, ZeroPhase, phase_turn
from tests.test_filters import cookbook

OCTAVE_Q = octaves_to_q(1.0, 1000, 48_000)
# Coefficients computed from the note's formulas at 48 kHz, a0 = 1; gains in dB at f0/2, f0, 2·f0.
GOLDEN = [
    (bell(200, 48_000, 6, 1.0), 200,
     (1.0091373648588675, -1.9809592202824515, 0.9725009133690122),
     (-1.9809592202824515, 0.9816382782278797), (1.88367, 6.0, 1.88313)),
    (bell(1000, 48_000, -12, 2.0), 1000,
     (0.9542262756320516, -1.8616786235957352, 0.9235166994196043),
     (-1.8616786235957352, 0.877742975051656), (-1.46680, -12.0, -1.45383)),
    (bell(1000, 48_000, 6, OCTAVE_Q), 1000,
     (1.0315775240355287, -1.9199769137945122, 0.9049667948629195),
     (-1.9199769137945122, 0.9365443188984482), (1.13737, 6.0, 1.12773)),
    (low_shelf(120, 48_000, -6), 120,
     (0.996152196751335, -1.9736856353133785, 0.9777058335221546),
     (-1.973599846209834, 0.9739438193770342), (-5.62359, -3.0, -0.37634)),
    (low_shelf(200, 48_000, 6, math.sqrt(0.5)), 200,
     (1.0064455778511419, -1.9686123523200318, 0.963120058272841),
     (-1.9688501073857254, 0.9693278810582894), (5.62363, 3.0, 0.37619)),
    (high_shelf(8000, 48_000, 6), 8000,
     (1.5716701885712971, -1.2488799267465382, 0.4486917330761506),
     (-0.4335101415770912, 0.2049921364780008), (0.28465, 3.0, 5.92111)),
]  # fmt: skip
BANDS = [
    ("bell", 200, 1.5, 3.0),
    ("bell", 540, 0.6, -7.0),
    ("bell", 9000, 2.0, 6.0),
    ("bell", 60, 0.2, 18.0),
    ("low shelf", 120, 1.0, -6.0),
    ("high shelf", 8000, 1.0, 4.0),
    ("high shelf", 2500, 1.0, -24.0),
]


@pytest.mark.parametrize(("section", "at", "b", "a", "gains"), GOLDEN)
def test_sections_have_the_cookbooks_numbers(section, at, b, a, gains):
    np.testing.assert_allclose([*section.b, *section.a], [*b, *a], rtol=0, atol=1e-12)
    hz = np.array([at / 2, at, 2 * at])
    _, found = freqz(section.b, [1, *section.a], worN=hz, fs=48_000)
    np.testing.assert_allclose(20 * np.log10(np.abs(found)), gains, atol=6e-6)


@pytest.mark.parametrize("gain_db", [3.0, 12.0])
def test_a_lift_and_the_same_cut_undo_each_other(gain_db):
    for make in (lambda g: bell(700, 44_100, g, 1.3), lambda g: low_shelf(200, 44_100, g)):
        up, down = make(gain_db), make(-gain_db)
        _, both = freqz(
            np.polymul(up.b, down.b), np.polymul([1, *up.a], [1, *down.a]), worN=500, fs=44_100
        )
        np.testing.assert_allclose(np.abs(both), 1, atol=1e-12)


def impulse_response(treatment, frames=1 << 18):
    x = np.zeros((frames, 1))
    x[frames // 2] = 1.0
    treatment.apply(x)
    return x[:, 0]


@pytest.mark.parametrize("phase", [MinimumPhase, ZeroPhase])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
def test_response_is_the_cookbooks_within_a_hundredth_of_a_decibel(phase, rate):
    frames = 1 << (20 if rate > 48_000 else 18)
    for given in [[band] for band in BANDS] + [BANDS[:3] + BANDS[4:6]]:
        sections = tuple(cookbook_section(*band, rate) for band in given)
        response = impulse_response(phase(sections), frames)
        found = np.abs(np.fft.rfft(response))
        hz = np.fft.rfftfreq(frames, 1 / rate)
        inside = (hz > 5) & (hz < 0.4 * rate)
        expected = np.zeros(inside.sum())
        for band in given:
            _, h = freqz(*cookbook(*band, rate), worN=hz[inside], fs=rate)
            expected += 20 * np.log10(np.abs(h))
        assert np.abs(20 * np.log10(found[inside]) - expected).max() < 0.01


def test_without_phase_shift_the_response_is_real_and_even():
    sections = tuple(cookbook_section(*band, 48_000) for band in BANDS)
    response = impulse_response(ZeroPhase(sections))
    middle = len(response) // 2
    np.testing.assert_allclose(response[middle:0:-1], response[middle:], atol=1e-12)


def test_minimum_phase_is_silent_before_the_impulse():
    response = impulse_response(
        MinimumPhase(tuple(cookbook_section(*band, 48_000) for band in BANDS))
    )
    assert not response[: len(response) // 2].any()
    assert response[len(response) // 2] != 0


@pytest.mark.parametrize("frames", [1, 100, 40_000, 150_000])
def test_pieces_join_without_a_seam(frames):
    # the magnitude that a general library gives, applied to the whole take by one transform
    sections = tuple(cookbook_section(*band, 48_000) for band in BANDS)
    x = np.random.default_rng(4).standard_normal((frames, 2))
    size = 1 << 19
    hz = np.arange(size // 2 + 1) / size
    gains = np.ones(len(hz))
    for section in sections:
        gains = gains * np.abs(freqz(section.b, [1, *section.a], worN=hz, fs=1.0)[1])
    whole = np.fft.irfft(np.fft.rfft(x, size, axis=0) * gains[:, None], size, axis=0)[:frames]
    done = x.copy()
    ZeroPhase(sections).apply(done)
    np.testing.assert_allclose(done, whole, atol=1e-8)


def test_minimum_phase_equals_a_general_library_on_every_channel():
    sections = tuple(cookbook_section(*band, 48_000) for band in BANDS)
    x = np.random.default_rng(4).standard_normal((3000, 2))
    expected = x
    for section in sections:
        expected = lfilter(section.b, [1, *section.a], expected, axis=0)
    MinimumPhase(sections).apply(x)
    np.testing.assert_allclose(x, expected, atol=1e-11)


def test_phase_turn_is_that_of_the_response():
    section = bell(200, 48_000, 6, 1.0)
    degrees, at = phase_turn((section,), 48_000)
    _, h = freqz(section.b, [1, *section.a], worN=np.geomspace(20, 20_000, 5000), fs=48_000)
    assert abs(degrees) == pytest.approx(np.abs(np.rad2deg(np.angle(h))).max(), abs=0.05)
    assert 100 < at < 400
