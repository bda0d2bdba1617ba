# SPDX-License-Identifier: GPL-3.0-or-later
"""Band filters against published values and independent computations."""

import math

import numpy as np
import pytest
from scipy.signal import bilinear, butter, freqz

from dsp.filters import (
    band_pass,
    high_pass,
    low_pass,
    octaves_to_q,
    shaped_section,
    stack,
    zero_phase_response,
)

RATES = (44_100, 48_000, 96_000, 192_000)
GAINS_DB = (-15.0, -7.0, -3.0, 3.0, 6.0)


def cookbook(shape, at_hz, width_oct, gain_db, rate):
    """Coefficients of the Audio EQ Cookbook (W3C Note, 8 June 2021); shelves with S = 1."""
    amp, w0 = 10 ** (gain_db / 40), 2 * math.pi * at_hz / rate
    cos, sin = math.cos(w0), math.sin(w0)
    if shape == "bell":
        alpha = sin * math.sinh(math.log(2) / 2 * width_oct * w0 / sin)
        return (
            [1 + alpha * amp, -2 * cos, 1 - alpha * amp],
            [1 + alpha / amp, -2 * cos, 1 - alpha / amp],
        )
    root = 2 * math.sqrt(amp) * sin / 2 * math.sqrt(2)
    up, down, side = amp + 1, amp - 1, 1.0 if shape == "low shelf" else -1.0
    b = [
        amp * (up - side * down * cos + root),
        side * 2 * amp * (down - side * up * cos),
        amp * (up - side * down * cos - root),
    ]
    a = [up + side * down * cos + root, -side * 2 * (down + side * up * cos)]
    return b, [*a, up + side * down * cos - root]


def cookbook_db(hz, *design):
    b, a = cookbook(*design)
    return 20 * np.log10(np.abs(freqz(b, a, worN=np.asarray(hz), fs=design[-1])[1]))


def our_db(hz, shape, at_hz, width_oct, gain_db, rate):
    band = zero_phase_response(shaped_section(shape, at_hz, width_oct, gain_db, rate), hz, rate)
    return 20 * np.log10(1 + (10 ** (gain_db / 20) - 1) * band)


def test_the_reference_itself_gives_the_published_coefficients():
    # computed from the published formulas at 48 kHz, normalised by a0
    b, a = (np.array(c) for c in cookbook("bell", 1000, 1.0, 6.0, 48_000))
    np.testing.assert_allclose(
        b / a[0], [1.0315775240355287, -1.9199769137945122, 0.9049667948629195], atol=1e-12
    )
    np.testing.assert_allclose(a[1:] / a[0], [-1.9199769137945122, 0.9365443188984482], atol=1e-12)
    b, a = (np.array(c) for c in cookbook("low shelf", 120, 1.0, -6.0, 48_000))
    np.testing.assert_allclose(
        b / a[0], [0.996152196751335, -1.9736856353133785, 0.9777058335221546], atol=1e-12
    )
    b, a = (np.array(c) for c in cookbook("high shelf", 8000, 1.0, 6.0, 48_000))
    np.testing.assert_allclose(
        b / a[0], [1.5716701885712971, -1.2488799267465382, 0.4486917330761506], atol=1e-12
    )
    np.testing.assert_allclose(a[1:] / a[0], [-0.4335101415770912, 0.2049921364780008], atol=1e-12)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("at_hz", [30, 196, 540, 4000, 18_000])
@pytest.mark.parametrize("q", [0.5, math.sqrt(0.5), 4.0])
def test_sections_are_the_bilinear_transforms_of_their_prototypes(rate, at_hz, q):
    stretch = 0.5 / math.tan(math.pi * at_hz / rate)
    analog = {low_pass: [1.0], band_pass: [1 / q, 0.0], high_pass: [1.0, 0.0, 0.0]}
    for design, numerator in analog.items():
        section = design(at_hz, rate, q)
        b, a = bilinear(numerator, [1.0, 1 / q, 1.0], fs=stretch)
        np.testing.assert_allclose(section.b, np.append(np.zeros(3 - len(b)), b), atol=1e-11)
        np.testing.assert_allclose(section.a, a[1:], atol=1e-11)


def test_butterworth_denominators_are_the_published_ones():
    # computed at 48 kHz; b against a general library
    published = {
        200: (-1.96298009, 0.96365298),
        2000: (-1.63299316, 0.69059892),
        5000: (-1.10922879, 0.39815229),
    }
    for hz, denominator in published.items():
        for design, kind in ((low_pass, "low"), (high_pass, "high")):
            section = design(hz, 48_000)
            b, a = butter(2, hz, kind, fs=48_000)
            np.testing.assert_allclose(section.a, denominator, atol=6e-9)
            np.testing.assert_allclose(section.a, a[1:], atol=1e-12)
            np.testing.assert_allclose(section.b, b, atol=1e-12)


def test_crossovers_have_the_linkwitz_riley_values():
    # Linkwitz, JAES 24(1), 1976: −6.02 dB at the crossover; off it computed for 200 Hz at 48 kHz
    hz = np.array([200.0, 100.0, 400.0])
    low = zero_phase_response(low_pass(200, 48_000), hz, 48_000)
    np.testing.assert_allclose(20 * np.log10(low), [-6.0206, -0.5265, -24.6146], atol=5e-5)
    for at_hz in (200.0, 2000.0, 5000.0):
        for design in (low_pass, high_pass):
            level = zero_phase_response(design(at_hz, 48_000), np.array([at_hz]), 48_000)
            assert 20 * np.log10(level[0]) == pytest.approx(-20 * math.log10(2), abs=1e-9)


@pytest.mark.parametrize("rate", RATES)
def test_low_and_high_sum_to_one(rate):
    hz = np.linspace(0, rate / 2, 2001)
    for at_hz in (60.0, 500.0, 8000.0, 19_000.0):
        low = zero_phase_response(low_pass(at_hz, rate), hz, rate)
        high = zero_phase_response(high_pass(at_hz, rate), hz, rate)
        np.testing.assert_allclose(low + high, 1.0, atol=1e-9)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("gain_db", GAINS_DB)
@pytest.mark.parametrize(("at_hz", "width_oct"), [(196, 0.8), (540, 0.6), (3000, 2.0), (12e3, 1.0)])
def test_bells_have_their_gain_at_the_centre_and_half_of_it_at_the_edges(
    rate, gain_db, at_hz, width_oct
):
    design = ("bell", at_hz, width_oct, gain_db, rate)
    assert our_db(np.array([at_hz]), *design)[0] == pytest.approx(gain_db, abs=1e-9)
    # where q·|w − 1/w| = 1 on the warped axis; there the cookbook's filter has half its gain too
    q = octaves_to_q(width_oct, at_hz, rate)
    ratio = math.exp(math.asinh(1 / (2 * q)))
    centre = math.tan(math.pi * at_hz / rate)
    edges = np.arctan(centre * np.array([1 / ratio, ratio])) * rate / math.pi
    np.testing.assert_allclose(our_db(edges, *design), gain_db / 2, atol=1e-9)
    np.testing.assert_allclose(cookbook_db(edges, *design), gain_db / 2, atol=1e-9)


def test_bells_are_as_wide_as_asked():
    rate, width_oct, at_hz = 192_000, 0.6, 540.0
    edges = at_hz * 2 ** np.array([-width_oct / 2, width_oct / 2])
    half = our_db(edges, "bell", at_hz, width_oct, -7.0, rate)
    np.testing.assert_allclose(half, -3.5, atol=0.005)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("gain_db", GAINS_DB)
@pytest.mark.parametrize("shape", ["low shelf", "high shelf"])
@pytest.mark.parametrize("at_hz", [120.0, 4000.0, 14_000.0])
def test_shelves_have_half_their_gain_at_their_frequency(rate, gain_db, shape, at_hz):
    hz = np.array([at_hz, 1e-3, rate / 2])
    found = our_db(hz, shape, at_hz, 1.0, gain_db, rate)
    ends = [gain_db, 0.0] if shape == "low shelf" else [0.0, gain_db]
    np.testing.assert_allclose(found, [gain_db / 2, *ends], atol=1e-9)


# The worst difference in dB from the cookbook's filter, which a band that is added as a difference
# cannot avoid. It depends on the gain alone, whatever shape, frequency and width.
WORST_DB = {15.0: 0.4543, 7.0: 0.0526, 6.0: 0.0334, 3.0: 0.0043}


@pytest.mark.parametrize("gain_db", GAINS_DB)
def test_the_worst_difference_from_the_cookbook_is_this(gain_db):
    # half-gain points of both lie at v = 1; see the derivation in the module
    g, v = 10 ** (gain_db / 20), np.geomspace(1e-4, 1e4, 40_001)
    ours = 20 * np.log10((np.sqrt(g) * v + g) / (np.sqrt(g) * v + 1))
    cookbooks = 10 * np.log10((v + g) / (v + 1 / g))
    worst = np.abs(ours - cookbooks).max()
    assert worst == pytest.approx(WORST_DB[abs(gain_db)], abs=5e-5)


@pytest.mark.parametrize("gain_db", GAINS_DB)
@pytest.mark.parametrize("shape", ["bell", "low shelf", "high shelf"])
@pytest.mark.parametrize("at_hz", [196.0, 540.0, 4000.0])
def test_responses_stay_that_near_to_the_cookbooks(shape, at_hz, gain_db):
    hz = np.geomspace(10, 23_000, 4000)
    design = (shape, at_hz, 0.6, gain_db, 48_000)
    worst = np.abs(our_db(hz, *design) - cookbook_db(hz, *design)).max()
    assert worst <= WORST_DB[abs(gain_db)] + 5e-5


def test_a_gain_and_its_opposite_leave_little():
    # a difference band cannot be undone by its opposite exactly; at the centre it can
    hz = np.array([540.0])
    total = sum(our_db(hz, "bell", 540.0, 0.6, g, 48_000) for g in (6.0, -6.0))
    assert total[0] == pytest.approx(0, abs=1e-9)


def test_ring_out_is_when_the_filter_has_died():
    for section in (band_pass(196, 48_000, 2.0), low_pass(60, 48_000), high_pass(4000, 48_000)):
        _, _, reach = stack([section])
        poles = np.roots([1, *section.a])
        assert np.abs(poles).max() ** reach <= math.exp(-27) * (1 + 1e-9)
        assert np.abs(poles).max() ** (reach - 2) > math.exp(-27)
