# SPDX-License-Identifier: GPL-3.0-or-later
"""Gain curves: what applying one does to audio, sample by sample."""

import numpy as np
import pytest

from dsp.curves import (
    BLOCK,
    WAVE,
    FullBand,
    GainCurve,
    ShapedBand,
    ShapedBands,
    SplitBands,
    apply_curve,
    flat,
    save_curves,
)
from dsp.filters import low_pass, shaped_section, stack
from dsp.kernels.zero_phase import forward_backward

RATE = 48_000
FRAMES = 2 * BLOCK + 777
RING = ShapedBand("ring", "bell", 540.0, 0.6, -7.0)
WIRES = ShapedBand("wires", "high shelf", 4000.0, 1.0, -15.0)
SHAPED = ShapedBands((RING, WIRES))
SPLIT = SplitBands((150.0, 2000.0))


def noise(frames=FRAMES, channels=1, seed=0):
    return np.random.default_rng(seed).standard_normal((frames, channels)) * 0.1


def moving(layout, frames=FRAMES, seed=1):
    rng = np.random.default_rng(seed)
    at = np.unique(rng.integers(0, frames, 60))
    return GainCurve(RATE, frames, at, rng.uniform(-20, 6, (len(at), len(layout.names))), layout)


def applied(samples, curve):
    out = samples.copy()
    apply_curve(out, curve)
    return out


def bands_of(x, sections):
    """Every section over the whole take at once, with silence before and after."""
    b, a, margin = stack(sections)
    padded = np.pad(x, margin)
    out = np.empty((len(sections), len(padded)))
    forward_backward(padded, b, a, out)
    return out[:, margin : margin + len(x)].T


@pytest.mark.parametrize("layout", [FullBand(), SHAPED, SPLIT])
def test_neutral_curves_return_every_bit(layout):
    x = noise(channels=2)
    x[5] = -0.0
    bands = len(layout.names)
    curve = GainCurve(RATE, FRAMES, np.array([0, 50]), np.zeros((2, bands)), layout)
    assert curve.neutral
    assert applied(x, curve).tobytes() == x.tobytes()


@pytest.mark.parametrize("layout", [FullBand(), SHAPED, SPLIT])
def test_where_gains_are_zero_decibels_every_bit_is_kept(layout):
    x = noise()
    db = np.zeros((4, len(layout.names)))
    db[1:3] = -12.0
    curve = GainCurve(RATE, FRAMES, np.array([100, 200, 300, 400]), db, layout)
    out = applied(x, curve)
    assert out[BLOCK:].tobytes() == x[BLOCK:].tobytes()
    if not isinstance(layout, SplitBands):
        assert out[:101].tobytes() == x[:101].tobytes()
        assert out[400:].tobytes() == x[400:].tobytes()
    else:  # equal gains in all bands: the sum of the bands is exact only as a number
        np.testing.assert_allclose(out[:101], x[:101], atol=1e-16)
    assert (out[200:300] != x[200:300]).all()


def test_a_full_band_curve_is_a_product():
    x, curve = noise(channels=2), moving(FullBand())
    gain = 10 ** (curve.db_at(np.arange(FRAMES)) / 20)
    np.testing.assert_allclose(applied(x, curve), gain * x, rtol=1e-11)


def test_shaped_bands_are_added_as_differences():
    x, curve = noise(), moving(SHAPED)
    gain = 10 ** (curve.db_at(np.arange(FRAMES)) / 20)
    bands = bands_of(x[:, 0], SHAPED.sections(RATE))
    np.testing.assert_allclose(
        applied(x, curve)[:, 0], x[:, 0] + ((gain - 1) * bands).sum(axis=1), atol=1e-11
    )


def test_split_bands_are_weighed_and_summed():
    x, curve = noise(), moving(SPLIT)
    gain = 10 ** (curve.db_at(np.arange(FRAMES)) / 20)
    below = bands_of(x[:, 0], [low_pass(hz, RATE) for hz in SPLIT.crossovers_hz])
    bands = np.stack([below[:, 0], below[:, 1] - below[:, 0], x[:, 0] - below[:, 1]], axis=1)
    np.testing.assert_allclose(bands.sum(axis=1), x[:, 0], atol=1e-15)
    np.testing.assert_allclose(applied(x, curve)[:, 0], (gain * bands).sum(axis=1), atol=1e-11)


def test_equal_gains_in_all_split_bands_are_one_gain():
    x = noise()
    curve = GainCurve(RATE, FRAMES, np.array([0]), np.full((1, 3), -6.0), SPLIT)
    np.testing.assert_allclose(applied(x, curve), x * 10 ** (-6 / 20), rtol=1e-15)


@pytest.mark.parametrize("layout", [FullBand(), SHAPED, SPLIT])
def test_channels_move_together_and_alone(layout):
    x, curve = noise(channels=3), moving(layout)
    together = applied(x, curve)
    for channel in range(3):
        alone = applied(x[:, [channel]], curve)
        assert together[:, [channel]].tobytes() == alone.tobytes()


@pytest.mark.parametrize("workers", [1, 2, 7])
def test_the_number_of_workers_does_not_matter(workers, monkeypatch):
    x, curve = noise(), moving(SHAPED)
    expected = applied(x, curve).tobytes()
    monkeypatch.setattr("os.cpu_count", lambda: workers)
    assert applied(x, curve).tobytes() == expected


def test_blocks_and_waves_leave_no_seam():
    frames = WAVE * BLOCK + BLOCK + 31
    x, curve = noise(frames), moving(SHAPED, frames)
    gain = 10 ** (curve.db_at(np.arange(frames)) / 20)
    bands = bands_of(x[:, 0], SHAPED.sections(RATE))
    whole = x[:, 0] + ((gain - 1) * bands).sum(axis=1)
    assert np.abs(applied(x, curve)[:, 0] - whole).max() < 1e-10


def test_nothing_moves_in_time():
    x = np.zeros((FRAMES, 1))
    x[BLOCK] = 1.0
    curve = GainCurve(RATE, FRAMES, np.array([0]), np.array([[-7.0, -15.0]]), SHAPED)
    out = applied(x, curve)[:, 0]
    assert np.argmax(np.abs(out)) == BLOCK
    reach = 5000
    around = out[BLOCK - reach : BLOCK + reach + 1]
    np.testing.assert_allclose(around, around[::-1], atol=1e-12)


@pytest.mark.parametrize("band", [RING, WIRES])
def test_the_measured_gain_is_the_designed_one(band):
    frames = RATE
    curve = GainCurve(RATE, frames, np.array([0]), np.array([[band.gain_db]]), ShapedBands((band,)))
    for hz, expected in ((band.at_hz, None), (60.0, 0.0)):
        x = np.sin(2 * np.pi * hz * np.arange(frames) / RATE)[:, None]
        out = applied(x, curve)
        middle = slice(RATE // 4, RATE * 3 // 4)
        found = 20 * np.log10(out[middle].std() / x[middle].std())
        half = 1.0 if band.shape == "bell" else 0.5
        wanted = band.gain_db * half if expected is None else expected
        assert found == pytest.approx(wanted, abs=0.02)


@pytest.mark.parametrize("layout", [FullBand(), SHAPED, SPLIT])
@pytest.mark.parametrize("frames", [1, 2, 100])
def test_short_takes_keep_their_length(layout, frames):
    db = np.full((1, len(layout.names)), -6.0)
    out = applied(noise(frames), GainCurve(RATE, frames, np.array([0]), db, layout))
    assert out.shape == (frames, 1)
    assert np.isfinite(out).all()


@pytest.mark.parametrize("layout", [FullBand(), SHAPED, SPLIT])
def test_silence_stays_silence(layout):
    assert not applied(np.zeros((FRAMES, 1)), moving(layout)).any()


def test_gains_are_lines_between_points_and_constant_outside():
    curve = GainCurve(RATE, 100, np.array([10, 20]), np.array([[0.0], [-10.0]]))
    found = curve.db_at(np.array([0, 10, 13, 20, 99]))[:, 0]
    np.testing.assert_allclose(found, [0, 0, -3, -10, -10])


@pytest.mark.parametrize(
    ("at", "db", "message"),
    [
        ([0, 0], [[0.0], [0.0]], "rise strictly"),
        ([5, 3], [[0.0], [0.0]], "rise strictly"),
        ([0], [[np.nan]], "finite"),
        ([0], [[0.0, 0.0]], "shape"),
        ([], np.zeros((0, 1)), "shape"),
    ],
)
def test_curves_that_cannot_be_are_refused(at, db, message):
    with pytest.raises(ValueError, match=message):
        GainCurve(RATE, 10, np.array(at, np.int64), np.array(db))


def test_bands_are_named_low_to_high():
    assert SPLIT.names == ("below 150 Hz", "150 Hz to 2000 Hz", "above 2000 Hz")
    assert SHAPED.names == ("ring", "wires")
    assert SHAPED.sections(RATE)[0] == shaped_section("bell", 540.0, 0.6, -7.0, RATE)


def test_saved_curves_can_be_read_back(tmp_path):
    curve = moving(SHAPED)
    save_curves(tmp_path / "curves.npz", {"1 dynamic_eq": curve, "2 level": flat(RATE, 9, 3)})
    with np.load(tmp_path / "curves.npz") as arrays:
        assert arrays["1 dynamic_eq.at"].tolist() == curve.at.tolist()
        np.testing.assert_allclose(arrays["1 dynamic_eq.db"], curve.db, atol=1e-5)
        assert arrays["1 dynamic_eq.bands"].tolist() == ["ring", "wires"]
        assert arrays["2 level.db"].tolist() == [[3.0]]
        assert int(arrays["rate"]) == RATE
