# SPDX-License-Identifier: GPL-3.0-or-later
"""The two-way filter bank against a direct-form twin and a general library."""

import numpy as np
import pytest
from scipy.signal import lfilter

from dsp.filters import band_pass, high_pass, low_pass, stack, zero_phase_response
from dsp.kernels.zero_phase import forward_backward

SECTIONS = [low_pass(150, 48_000), band_pass(540, 48_000, 2.0), high_pass(4000, 48_000)]


def run(x, sections):
    b, a, _ = stack(sections)
    out = np.empty((len(sections), len(x)))
    forward_backward(x, b, a, out)
    return out


def direct_form(x, section):
    """The difference equation, term by term, from rest."""
    y = np.zeros(len(x))
    for i in range(len(x)):
        y[i] = sum(c * x[i - k] for k, c in enumerate(section.b) if i >= k)
        y[i] -= sum(c * y[i - k] for k, c in enumerate(section.a, 1) if i >= k)
    return y


def test_equals_its_twin_and_a_general_library():
    x = np.random.default_rng(3).standard_normal(400)
    out = run(x, SECTIONS)
    for k, section in enumerate(SECTIONS):
        twin = direct_form(direct_form(x, section)[::-1], section)[::-1]
        np.testing.assert_allclose(out[k], twin, atol=1e-9)
        once = lfilter(section.b, [1, *section.a], x)
        both = lfilter(section.b, [1, *section.a], once[::-1])[::-1]
        np.testing.assert_allclose(out[k], both, atol=1e-9)


def test_bands_do_not_know_of_each_other():
    x = np.random.default_rng(4).standard_normal(300)
    together = run(x, SECTIONS)
    for k, section in enumerate(SECTIONS):
        assert together[k].tobytes() == run(x, [section])[0].tobytes()


@pytest.mark.parametrize("section", SECTIONS)
def test_no_phase_shift_and_squared_magnitude(section):
    reach = section.ring_out
    impulse = np.zeros(2 * reach + 1)
    impulse[reach] = 1.0
    response = run(impulse, [section])[0]
    # what rings past the edges is left out: it is under the ring-out's limit
    np.testing.assert_allclose(response, response[::-1], atol=1e-10)
    spectrum = np.fft.rfft(np.roll(response, -reach), 2 * reach + 1)
    hz = np.fft.rfftfreq(2 * reach + 1, 1 / 48_000)
    np.testing.assert_allclose(spectrum.real, zero_phase_response(section, hz, 48_000), atol=1e-8)
    np.testing.assert_allclose(spectrum.imag, 0, atol=1e-8)


def test_silence_in_silence_out():
    assert not run(np.zeros(500), SECTIONS).any()
