# SPDX-License-Identifier: GPL-3.0-or-later
"""Beginnings that are heard for what they share, under noise."""

import numpy as np
import pytest

from dsp.hits import matched
from dsp.hits.matched import Matches, learn_beginning, match

RATE = 48_000
LOUD = 12_000 * np.arange(1, 13)
SOFT = LOUD[:-1] + 6001


def stroke(seed=3):
    """Noise that dies away: two with the same seed are alike, else they are not."""
    noise = np.random.default_rng(seed).standard_normal(4000)
    return noise * np.exp(-np.arange(4000) / 400)


def track(soft_db=-26.0, noise_db=-20.0, seed=1):
    """Loud strokes and soft ones under noise whose power falls by 6 dB an octave."""
    noise = np.cumsum(np.random.default_rng(seed).standard_normal(LOUD[-1] + 12_000))
    noise = np.append(0.0, noise[1:] - 0.98 * noise[:-1])
    x = 10 ** (noise_db / 20) * noise / noise.std()
    for at in LOUD:
        x[at : at + 4000] += stroke()
    for at in SOFT:
        x[at : at + 4000] += 10 ** (soft_db / 20) * stroke()
    return x.astype(np.float32)


def learned(x, starts=LOUD):
    """What the strokes share, as it must be here."""
    beginning = learn_beginning(x, starts, RATE)
    assert beginning is not None
    return beginning


def twin(x, beginning, at):
    """The value at sample `at` by its definition, one sum after the other."""
    block, ahead = 1024, round(matched.AHEAD_S * RATE)
    padded = np.concatenate([np.zeros(3 * block), x, np.zeros(4 * block)])
    start = (at // block + 3) * block - ahead
    window = np.hanning(block + 1)[:block]
    window /= np.sqrt((window**2).sum())
    frames = [padded[start + n * block :][:block] * window for n in range(-2, 3)]
    power = np.mean([np.abs(np.fft.rfft(frame)) ** 2 for frame in frames], axis=0)
    wide = round(matched.BAND_HZ / RATE * block)
    bands = power[: len(power) // wide * wide].reshape(-1, wide).mean(axis=1)
    bands = bands[: int(matched.HIGH_HZ / RATE * block / wide) + 1]
    bands = np.pad(bands, 1, mode="edge")
    bands = 0.25 * (bands[:-2] + bands[2:]) + 0.5 * bands[1:-1]
    hz = np.fft.rfftfreq(2 * block, 1 / RATE)
    inside = np.flatnonzero((hz >= matched.LOW_HZ) & (hz < matched.HIGH_HZ))
    noise = bands[inside // (2 * wide)]
    spectrum = np.fft.rfft(beginning, 2 * block)[inside]
    heard = np.fft.rfft(padded[start:][: 2 * block])[inside]
    later = np.exp(2j * np.pi * inside * (at % block) / (2 * block))
    energy = (np.abs(spectrum) ** 2 / noise).sum()
    return (heard * later * np.conj(spectrum) / noise).sum().real / np.sqrt(energy * block)


def test_values_equal_those_of_the_definition():
    x = track()
    beginning = learned(x)
    value = match(x, beginning, RATE).value
    places = np.array([LOUD[2], LOUD[5] - 20, SOFT[3] + 1, SOFT[7] - 1, 50_002, 99_000])
    expected = [twin(x, beginning, at) for at in places]
    np.testing.assert_allclose(value[places // 2], expected, rtol=1e-3, atol=1e-3)


def test_strokes_that_raise_no_power_are_heard_where_they_start():
    x = track()
    after = np.array([np.square(x[at : at + 480]).mean() for at in SOFT])
    before = np.array([np.square(x[at - 480 : at]).mean() for at in SOFT])
    assert np.median(after / before) < 1.6
    peaks = match(x, learned(x), RATE).peaks(5.0, 600, 600)
    assert np.abs(peaks[:, None] - SOFT).min(axis=0).max() <= 2
    played = np.concatenate([LOUD, SOFT])
    assert np.abs(peaks[:, None] - played).min(axis=1).max() <= 2


def test_strokes_that_are_not_alike_are_not_made_up():
    rng, x = np.random.default_rng(7), track(soft_db=-200.0)
    beginning = learned(x)
    for at in SOFT:
        x[at : at + 4000] += 0.05 * stroke(int(rng.integers(100, 1000)))
    peaks = match(x, beginning, RATE).peaks(6.0, 600, 600)
    assert np.abs(peaks[:, None] - LOUD).min(axis=1).max() <= 2


def test_noise_alone_has_deviation_one_and_no_peaks():
    x = track(soft_db=-200.0)
    noise = np.random.default_rng(5).standard_normal(20 * RATE).astype(np.float32)
    matches = match(noise, learned(x), RATE)
    assert np.std(matches.value) == pytest.approx(1.0, abs=0.03)
    assert len(matches.peaks(5.0, 600, 600)) == 0


def test_what_is_suddenly_loud_is_not_a_match():
    x = track(noise_db=-50.0)
    beginning = learned(x)
    hat = np.random.default_rng(11).standard_normal(9000) * np.exp(-np.arange(9000) / 2500)
    x[SOFT[4] + 3000 : SOFT[4] + 12_000] += 2.0 * hat.astype(np.float32)
    value = match(x, beginning, RATE).best_near(np.array([SOFT[4] + 3000]), 200)
    assert value[0] < 6.0


def test_gain_changes_nothing():
    x = track()
    known = match(x, learned(x), RATE).value
    softer = match(x / 1024, learned(x / 1024), RATE).value
    np.testing.assert_allclose(softer, known, rtol=1e-4, atol=1e-4)


@pytest.mark.parametrize("count", [1, 5, 1000])
def test_the_same_bytes_whatever_is_listened_to_at_a_time(count, monkeypatch):
    x = track()
    known = match(x, learned(x), RATE).value
    monkeypatch.setattr(matched, "CHUNK", count)
    assert match(x, learned(x), RATE).value.tobytes() == known.tobytes()


def test_silence_matches_nothing():
    value = match(np.zeros(100_000, np.float32), learned(track()), RATE).value
    assert len(value) == 50_000
    assert not value.any()


@pytest.mark.parametrize("count", [0, 1, 3])
def test_too_few_strokes_teach_nothing(count):
    assert learn_beginning(track(), LOUD[:count], RATE) is None


def test_a_stroke_at_the_very_end_and_the_very_start_can_teach():
    x = track()
    beginning = learned(x, np.array([0, 2, LOUD[0], len(x) - 2]))
    assert np.isfinite(beginning).all()


def test_the_higher_of_two_near_peaks_is_kept_and_the_first_of_equals():
    value = np.zeros(4000, np.float32)
    value[[1000, 1100, 2000, 2100, 3000]] = [5.0, 6.0, 7.0, 7.0, 4.0]
    matches = Matches(value, np.ones(8, np.float32), 1024)
    np.testing.assert_array_equal(matches.peaks(4.5, 300, 300), [2200, 4000])
    np.testing.assert_array_equal(matches.peaks(4.5, 100, 100), [2000, 2200, 4000, 4200])
    np.testing.assert_array_equal(matches.best_near(np.array([0, 1996, 7999]), 8), [0, 5, 0])


def test_a_peak_beside_a_much_higher_one_is_its_lobe():
    value = np.zeros(4000, np.float32)
    value[[1000, 1500, 3000]] = [30.0, 9.0, 9.0]
    matches = Matches(value, np.ones(8, np.float32), 1024)
    np.testing.assert_array_equal(matches.peaks(4.5, 300, 1200), [2000, 6000])
    np.testing.assert_array_equal(matches.peaks(4.5, 300, 900), [2000, 3000, 6000])


def test_levels_are_those_of_the_strokes():
    x = track(soft_db=-200.0, noise_db=-35.0)
    soft = SOFT[::2] + np.arange(6)  # values stand at even samples
    for at in soft:
        x[at : at + 4000] += 0.1 * stroke()
    matches = match(x, learned(x), RATE)
    loud, soft = matches.level_db(LOUD, 10), matches.level_db(soft, 10)
    assert np.std(loud) < 0.3
    assert np.median(soft) - np.median(loud) == pytest.approx(-20.0, abs=0.5)
