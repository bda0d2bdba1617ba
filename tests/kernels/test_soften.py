# SPDX-License-Identifier: GPL-3.0-or-later
"""Peaks between samples, the rounding curve, and the look-ahead gain, against slow twins."""

import numpy as np
import pytest

from dsp.kernels.soften import look_ahead, round_off, true_peaks
from dsp.true_peak import CLIP, LONG, SHORT, low_pass_bank

CELL = 16


def noise(frames=640, seed=3):
    return np.random.default_rng(seed).standard_normal(frames) / 3


def wanted_inside(frames, edge=4):
    wanted = np.ones(frames // CELL, np.bool_)
    wanted[:edge] = wanted[-edge:] = False
    wanted[10] = False
    return wanted


def upsampled(x, bank):
    """The sound at the higher rate: zeros between the samples, then one long low-pass."""
    taps, factor = bank.shape
    # bank[t, p] is the low-pass at (t − h + 1) − p/m samples: read backwards it rises in time
    low_pass = np.array([bank[t, p] for t in range(taps - 1, -1, -1) for p in range(factor)])
    sparse = np.zeros(len(x) * factor)
    sparse[::factor] = x
    delay = (taps // 2) * factor  # of the low-pass: its middle is at t = h − 1, p = 0
    return np.convolve(sparse, low_pass)[delay : delay + len(sparse)], low_pass, delay


@pytest.mark.parametrize("kind", [LONG, SHORT, CLIP])
@pytest.mark.parametrize("factor", [4, 8, 16])
def test_true_peaks_equal_their_twin(kind, factor):
    x, bank = noise(), low_pass_bank(factor, *kind)
    wanted = wanted_inside(len(x))
    out = np.full(len(wanted), -1.0)
    true_peaks(x, bank, CELL, wanted, out)
    twin = np.abs(upsampled(x, bank)[0]).reshape(-1, CELL * factor).max(axis=1)
    np.testing.assert_allclose(out, np.where(wanted, twin, 0.0), atol=1e-12)


def rounded(a, start, ceiling):
    """The rounding curve, from its definition."""
    d = ceiling - start
    u = np.minimum((np.abs(a) - start) / (2 * d), 1)
    bent = start + 2 * d * (u - u**3 + u**4 / 2)
    return np.where(np.abs(a) <= start, a, np.sign(a) * bent)


@pytest.mark.parametrize("factor", [4, 8])
def test_round_off_equals_its_twin(factor):
    x, bank = noise(), low_pass_bank(factor, *CLIP)
    wanted = wanted_inside(len(x))
    out, kept = np.zeros(len(x)), np.empty(len(wanted))
    round_off(x, bank, CELL, wanted, 0.3, 0.6, out, kept)
    high, low_pass, delay = upsampled(x, bank)
    change = rounded(high, 0.3, 0.6) - high
    change *= np.repeat(wanted, CELL * factor)
    back = np.convolve(change, low_pass[::-1])[len(low_pass) - 1 - delay :][: len(high)]
    np.testing.assert_allclose(out, back[::factor] / factor, atol=1e-12)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(change, rounded(high, 0.3, 0.6) / high, 1.0)
    np.testing.assert_allclose(kept, ratio.reshape(len(kept), -1).min(axis=1), atol=1e-12)
    assert (kept[~wanted] == 1).all()


def test_the_rounding_curve_has_no_corner():
    start, ceiling, step = 0.4, 0.7, 1e-4
    a = np.arange(0.2, 1.4, step)
    curve = rounded(a, start, ceiling)
    slope = np.gradient(curve, step)
    assert (np.diff(curve) >= -1e-15).all()
    assert curve.max() == pytest.approx(ceiling, abs=1e-12)
    assert np.abs(np.diff(slope)).max() < 1e-3  # no jump of the slope
    assert np.abs(np.diff(np.gradient(slope, step))).max() < 0.01  # nor of the bend
    assert np.abs(curve[a < start] - a[a < start]).max() == 0


def test_nothing_above_the_start_changes_nothing():
    x, bank = 0.1 * noise(), low_pass_bank(8, *CLIP)
    out, kept = np.zeros(len(x)), np.empty(40)
    round_off(x, bank, CELL, wanted_inside(len(x)), 0.3, 0.6, out, kept)
    assert not out.any()
    assert (kept == 1).all()


def look_ahead_twin(need, keep, window):
    v, held = [], 0.0
    for n in need:
        held = held * keep
        held = min(n, 0.0 if held > -1e-4 else held)
        v.append(held)
    padded = np.array(v + [0.0] * (2 * window))
    least = [padded[k : k + window + 1].min() for k in range(len(need))]
    # ahead of the first value, what comes in was there before
    history = np.array([least[0]] * window + least)
    return np.array([history[k : k + window + 1].mean() for k in range(len(need))])


@pytest.mark.parametrize("window", [1, 4, 30])
def test_look_ahead_equals_its_twin_and_keeps_under_what_is_needed(window):
    rng = np.random.default_rng(4)
    need = np.where(rng.random(400) < 0.05, -10 * rng.random(400), 0.0)
    need[0], need[-1] = -3.0, -2.0
    out = np.empty(len(need))
    look_ahead(need, 0.9, window, out)
    np.testing.assert_allclose(out, look_ahead_twin(need, 0.9, window), atol=1e-12)
    assert (out <= need + 1e-12).all()


def test_look_ahead_comes_in_within_its_window_and_goes_back_by_its_constant():
    need = np.zeros(300)
    need[100] = -12.0
    out = np.empty(300)
    look_ahead(need, np.exp(-1 / 40), 5, out)
    assert not out[:95].any()
    assert out[95] < 0
    assert out[100] == pytest.approx(-12)
    # 63.2 % of the way back one time constant later; the mean over six values is 2.5 late
    assert np.interp(40 + 2.5, np.arange(200), out[100:]) == pytest.approx(-12 / np.e, rel=0.01)
    assert abs(out[-1]) < 0.1
