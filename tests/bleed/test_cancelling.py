# SPDX-License-Identifier: GPL-3.0-or-later
"""What witnesses predict of the bleed, on sums whose parts are known."""

import numpy as np
import pytest
from scipy.signal import oaconvolve

from dsp.bleed.cancelling import Canceller

RATE, SECONDS = 48_000, 12
FRAMES = RATE * SECONDS
ROUNDS = 3


def room(seed, direct, length=2400):
    """A path: direct sound after so many samples, then a tail 50 ms long."""
    rng = np.random.default_rng(seed)
    path = 0.15 * rng.standard_normal(length) * np.exp(-np.arange(length) / 500)
    path[:direct] = 0.0
    path[direct] = 1.0
    return path


def heard(sound, seed, direct):
    return oaconvolve(sound, room(seed, direct))[:FRAMES]


def strokes(seed=1, every_s=0.4):
    """Noise bursts that decay, no two as loud: a drum."""
    rng = np.random.default_rng(seed)
    sound = np.zeros(FRAMES)
    for at in np.arange(0.3, SECONDS - 0.5, every_s):
        start, count = round(at * RATE), round(0.25 * RATE)
        decay = np.exp(-np.arange(count) / (0.03 * RATE))
        sound[start : start + count] += rng.uniform(0.3, 1) * decay * rng.standard_normal(count)
    return sound


def cymbals(seed=2):
    """Noise whose loudness comes and goes."""
    rng = np.random.default_rng(seed)
    loudness = 10 ** np.repeat(rng.uniform(-1.5, 0, SECONDS * 8), RATE // 8)
    return 0.1 * loudness * rng.standard_normal(FRAMES)


@pytest.fixture(scope="module")
def parts():
    """Drum and bleed in the track, and in a witness that hears the bleed three times as loud."""
    drum, bleed = strokes(), cymbals()
    return {
        "drum": heard(drum, 1, 0),
        "bleed": heard(bleed, 2, 90),
        "witness drum": 0.3 * heard(drum, 3, 140),
        "witness bleed": 3.0 * heard(bleed, 4, 40),
    }


def energy_db(sound, against):
    return 10 * np.log10(np.sum(sound**2) / np.sum(against**2))


def predicted(track, witnesses, drum):
    """After rounds as the step makes them, where the drum is told by a gate that opens in time."""
    canceller = Canceller(track, witnesses, RATE)
    for _ in range(ROUNDS):
        canceller.learn(drum)
    return canceller.predict()


def gated(parts):
    """The drum as gains can tell it: bleed and all while it is loud, nothing else."""
    loud = np.repeat(np.abs(parts["drum"]).reshape(-1, 480).max(axis=1) > 0.05, 480)
    return loud * (parts["drum"] + parts["bleed"])


def test_bleed_is_predicted_and_the_drum_is_not(parts):
    track = parts["drum"] + parts["bleed"]
    found = predicted(track, [parts["witness drum"] + parts["witness bleed"]], gated(parts))
    assert energy_db(parts["bleed"] - found, parts["bleed"]) < -13
    # and a filter that is exact leaves the drum: what is subtracted is not like it at any delay
    drum = parts["drum"] / np.sqrt(np.sum(parts["drum"] ** 2))
    alike = np.fft.irfft(np.fft.rfft(found) * np.conj(np.fft.rfft(drum)))
    assert energy_db(alike.max(), np.sqrt(np.sum(parts["drum"] ** 2))) < -40


def test_the_track_itself_predicts_nothing(parts):
    track = parts["drum"] + parts["bleed"]
    found = predicted(track, [0.3 * track], gated(parts))
    assert not found.any()


def test_what_is_unrelated_predicts_nothing(parts):
    track = parts["drum"] + parts["bleed"]
    found = predicted(track, [np.random.default_rng(9).standard_normal(FRAMES)], gated(parts))
    assert energy_db(found, parts["bleed"]) < -20


def test_two_witnesses_tell_two_sources_apart(parts):
    """One microphone cannot undo two paths at once; two can."""
    other = cymbals(7)
    track = parts["drum"] + parts["bleed"] + heard(other, 5, 60)
    first = parts["witness drum"] + parts["witness bleed"] + heard(other, 6, 130)
    second = 0.5 * parts["witness drum"] + heard(cymbals(), 8, 200) + 2 * heard(other, 9, 30)
    bleed = track - parts["drum"]
    drum = gated(parts)
    one = energy_db(bleed - predicted(track, [first], drum), bleed)
    two = energy_db(bleed - predicted(track, [first, second], drum), bleed)
    assert two < one - 3


@pytest.mark.parametrize("gain", [1e-4, -30.0])
def test_gains_of_the_microphones_change_nothing(parts, gain):
    track, drum = parts["drum"] + parts["bleed"], gated(parts)
    witness = parts["witness drum"] + parts["witness bleed"]
    plain = predicted(track, [witness], drum)
    louder = predicted(gain * track, [gain**2 * witness], gain * drum)
    np.testing.assert_allclose(louder / gain, plain, atol=1e-9)


def test_workers_change_no_bit(parts, monkeypatch):
    track, drum = parts["drum"] + parts["bleed"], gated(parts)
    witness = parts["witness drum"] + parts["witness bleed"]
    many = predicted(track, [witness], drum)
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    assert predicted(track, [witness], drum).tobytes() == many.tobytes()
