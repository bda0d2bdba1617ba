# SPDX-License-Identifier: GPL-3.0-or-later
"""True peaks: signals of known peak, and nothing left out where something could be."""

import numpy as np
import pytest

from dsp.true_peak import (
    CLIP,
    LONG,
    PART,
    PEAK_RATE,
    SHORT,
    low_pass_bank,
    may_exceed,
    peaks_in_cells,
    true_peak_dbtp,
)

CELL = 16


# EBU Tech 3341, signals 15 to 19: rate divided by, phase in degrees, amplitude, expected dBTP;
# +0.2 and −0.4 dB are allowed
SIGNALS = [(4, 0, 0.5, -6.0), (4, 45, 0.5, -6.0), (6, 60, 0.5, -6.0), (8, 67.5, 0.5, -6.0),
           (4, 45, 1.41, 3.0)]  # fmt: skip


@pytest.mark.parametrize(("divisor", "degrees", "level", "expected"), SIGNALS)
def test_signals_of_the_ebu_read_as_they_should(divisor, degrees, level, expected):
    x = level * np.sin(2 * np.pi * np.arange(4800) / divisor + np.deg2rad(degrees))
    inside = peaks_in_cells(x[:, None], 0.1, CELL)[10:-10]
    fade = np.minimum(1, np.minimum(np.arange(4800), np.arange(4800)[::-1]) / 480)
    for found in (20 * np.log10(inside.max()), true_peak_dbtp((fade * x)[:, None])):
        assert -0.4 <= found - expected <= 0.2
        assert found - 20 * np.log10(level) == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize("at", [0, 31, PART - 65, PART - 1, PART, 2 * PART + 99])
def test_the_highest_peak_of_a_track_is_found_wherever_it_is(at):
    """Against the interpolating sums at every sample, worked out one by one."""
    x = np.zeros((2 * PART + 100, 2))
    x[at : at + 2, 1] = [-0.9, -0.9][: len(x) - at]
    x[1000:1100] = 0.3
    expected = 0.9
    for kind in (LONG, SHORT):
        bank = low_pass_bank(PEAK_RATE, *kind)
        around = np.concatenate([np.zeros(200), x[max(at - 200, 0) : at + 200, 1], np.zeros(200)])
        sums = [np.convolve(around, bank[::-1, phase]) for phase in range(PEAK_RATE)]
        expected = max(expected, np.abs(sums).max())
    assert true_peak_dbtp(x) == pytest.approx(20 * np.log10(expected), abs=1e-9)


def test_silence_has_no_true_peak():
    assert true_peak_dbtp(np.zeros((100, 1))) is None


def test_the_loudest_channel_counts():
    x = np.sin(2 * np.pi * np.arange(960) / 8)[:, None] * [0.2, 0.8]
    assert peaks_in_cells(x, 0.1, CELL)[10:-10].max() == pytest.approx(0.8, rel=0.01)


@pytest.mark.parametrize("kind", [LONG, SHORT, CLIP])
def test_a_low_pass_keeps_a_constant_and_is_symmetrical(kind):
    bank = low_pass_bank(PEAK_RATE, *kind)
    np.testing.assert_allclose(bank.sum(axis=0), 1, atol=2e-3)
    np.testing.assert_allclose(bank[:, 1:], bank[::-1, :0:-1], atol=1e-15)


def test_the_clippers_low_pass_stops_what_would_fold():
    bank = low_pass_bank(8, *CLIP)
    whole = np.array([bank[t, p] for t in range(len(bank) - 1, -1, -1) for p in range(8)]) / 8
    response = np.abs(np.fft.rfft(whole, 1 << 16))
    hz = np.fft.rfftfreq(1 << 16, 1 / 8)  # in cycles a sample of the lower rate
    assert 20 * np.log10(response[hz > 0.502].max()) < -95
    assert np.abs(20 * np.log10(response[hz < 0.41])).max() < 0.01


@pytest.mark.parametrize("kind", [LONG, SHORT, CLIP])
def test_no_peak_is_missed_where_none_is_expected(kind):
    bank = low_pass_bank(4, *kind)
    rng = np.random.default_rng(5)
    x = np.sign(rng.standard_normal((1600, 1))) * (rng.random((1600, 1)) < 0.2)
    x[400:800] *= 0.1
    for level in (0.5, 1.0, 1.5):
        may = may_exceed(x, bank, level, CELL)
        half = len(bank) // 2
        phases = [np.convolve(x[:, 0], bank[::-1, p])[half:][: len(x)] for p in range(4)]
        highest = np.abs(phases).max(axis=0).reshape(-1, CELL).max(axis=1)
        assert may[5:-5][highest[5:-5] > level].all()
    assert not may_exceed(x, bank, 5.0, CELL).any()


def test_rough_values_leave_no_peak_out():
    # what is measured only where four values a sample come near is what is measured everywhere
    x = np.random.default_rng(6).standard_normal((3200, 1)) / 4
    everywhere = peaks_in_cells(x, 0.0, CELL)
    for above in (0.5, 0.8):
        some = peaks_in_cells(x, above, CELL)
        high = everywhere > above
        np.testing.assert_array_equal(some[high], everywhere[high])
