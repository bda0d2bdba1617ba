# SPDX-License-Identifier: GPL-3.0-or-later
"""Modal sums against their formulas, membranes against print."""

import numpy as np
import pytest

from dsp.demo.modal import (
    bessel_zero,
    contact_pulse,
    coupled_pair,
    damped_sum,
    glide,
    membrane_fundamental,
    mode_ratio,
    struck_sum,
)

# Printed in Fletcher and Rossing, The Physics of Musical Instruments, 2nd ed., chapter 3
# (quoted from memory; their last digit is rounded from three-digit frequencies).
PRINTED = {(1, 1): 1.594, (2, 1): 2.136, (0, 2): 2.296, (3, 1): 2.653, (1, 2): 2.918}
RATE = 48_000
HZ, T60 = np.array([205.0, 331.0, 1_530.0]), np.array([0.5, 0.3, 0.04])
GAINS = np.array([[1.0, -0.5, 0.7], [0.2j, 1.0, 0.3 + 0.1j]])


@pytest.mark.parametrize(("mode", "ratio"), PRINTED.items())
def test_ratios_of_an_ideal_membrane_are_those_in_print(mode, ratio):
    assert mode_ratio(*mode) == pytest.approx(ratio, abs=1e-3)


@pytest.mark.parametrize(("order", "count"), [(0, 1), (0, 4), (1, 2), (6, 3)])
def test_bessel_zeros_are_zeros_of_the_integral_that_defines_the_function(order, count):
    angle = (np.arange(4_000) + 0.5) * np.pi / 4_000
    zero = bessel_zero(order, count)
    assert np.cos(order * angle - zero * np.sin(angle)).mean() == pytest.approx(0, abs=1e-12)


def test_fundamental_follows_from_size_tension_and_mass():
    # j_01 / (2π · 0.1778) · √(2000 / 0.26), worked by hand
    assert membrane_fundamental(0.1778, 2_000.0, 0.26) == pytest.approx(188.80, abs=0.005)


def test_two_masses_on_three_springs():
    # Eigenvalues of [[200² + 180², −180²], [−180², 300² + 180²]], worked by hand
    hz, motion = coupled_pair(200.0, 300.0, 180.0, 180.0)
    assert hz == pytest.approx([237.647, 371.919], abs=1e-3)
    assert motion @ motion.T == pytest.approx(np.eye(2), abs=1e-12)
    assert np.sum(hz**2) == pytest.approx(200**2 + 300**2 + 2 * 180**2)


def test_equal_heads_move_together_at_their_own_pitch_and_apart_above_it():
    hz, motion = coupled_pair(200.0, 200.0, 180.0, 180.0)
    assert hz == pytest.approx([200.0, np.sqrt(200**2 + 2 * 180**2)])
    assert motion == pytest.approx(np.array([[1, 1], [1, -1]]) / np.sqrt(2))


def test_damped_sum_is_its_formula():
    time = np.arange(1_000) / RATE
    plain = sum(
        np.real(GAINS[:, [k]] * np.exp((-np.log(1e3) / T60[k] + 2j * np.pi * HZ[k]) * time))
        for k in range(3)
    )
    assert damped_sum(HZ, T60, GAINS, 1_000, RATE) == pytest.approx(plain, abs=1e-12)


@pytest.mark.parametrize("frames", [1_000, 30])
def test_struck_sum_is_the_convolution_with_the_pulse(frames):
    pulse = contact_pulse(0.0012, RATE)
    still = damped_sum(HZ, T60, GAINS, frames, RATE)
    plain = np.array([np.convolve(row, pulse)[:frames] for row in still])
    assert struck_sum(HZ, T60, GAINS, pulse, frames, RATE) == pytest.approx(plain, abs=1e-12)


def test_contact_pulse_pushes_from_its_first_sample_and_carries_unit_impulse():
    pulse = contact_pulse(0.001, RATE)
    assert len(pulse) == 48
    assert pulse.min() > 0
    assert pulse.sum() == pytest.approx(1.0)
    assert pulse == pytest.approx(pulse[::-1])


def test_no_glide_changes_nothing():
    samples = np.random.default_rng(3).standard_normal(500)
    assert np.array_equal(glide(samples, 0.0, 0.07, RATE), samples)


def test_glide_raises_the_pitch_by_its_amount_and_settles():
    time = np.arange(RATE // 2)
    tone = np.sin(2 * np.pi * 200 * time / RATE)
    bent = glide(tone, 0.02, 0.05, RATE)
    assert bent[0] == tone[0]
    ahead = 0.02 * 0.05 * -np.expm1(-time / RATE / 0.05)
    wanted = np.sin(2 * np.pi * 200 * (time / RATE + ahead))
    assert bent[: RATE // 3] == pytest.approx(wanted[: RATE // 3], abs=1e-5)
