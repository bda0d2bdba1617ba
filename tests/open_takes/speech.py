# SPDX-License-Identifier: GPL-3.0-or-later
"""Sound like speech, made and not recorded: vowels with moving formants, hisses, stops."""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.open_takes.sources import RATE

Sound = NDArray[np.float64]

VOWELS_HZ = (
    (730.0, 1090.0, 2440.0),
    (270.0, 2290.0, 3010.0),
    (300.0, 870.0, 2240.0),
    (530.0, 1840.0, 2480.0),
    (570.0, 840.0, 2410.0),
)
"""First three formants of a man's vowels (Peterson & Barney, JASA 24, 1952; from memory)."""

BANDWIDTHS_HZ = (80.0, 100.0, 140.0)


def say(syllables: int, rng: np.random.Generator) -> Sound:
    """Some syllables, each a consonant (a hiss or a stop's burst) and a vowel; peak 1."""
    parts = []
    for _ in range(syllables):
        parts.append(_hiss(rng) if rng.uniform() < 0.5 else _stop(rng))
        parts.append(_vowel(rng))
        if rng.uniform() < 0.3:
            parts.append(np.zeros(round(rng.uniform(0.02, 0.12) * RATE)))
    sound = np.concatenate(parts)
    return sound / np.max(np.abs(sound))


def _vowel(rng: np.random.Generator) -> Sound:
    """Pulses of the voice through three resonances that glide from one vowel to another."""
    frames = round(rng.uniform(0.08, 0.22) * RATE)
    pitch = rng.uniform(95.0, 210.0) * (1.0 + rng.uniform(-0.2, 0.1) * np.linspace(0, 1, frames))
    phase = np.cumsum(pitch / RATE)
    pulses = np.diff(np.floor(phase), prepend=0.0)
    pulses = lfilter([1.0], [1.0, -0.97], pulses)
    one, two = (np.array(VOWELS_HZ[rng.integers(len(VOWELS_HZ))]) for _ in range(2))
    sound = np.zeros(frames)
    for share, formants in ((np.linspace(1, 0, frames), one), (np.linspace(0, 1, frames), two)):
        voiced = pulses
        for hz, width in zip(formants, BANDWIDTHS_HZ, strict=True):
            voiced = _resonance(voiced, hz, width)
        sound += share * voiced
    sound *= np.sin(np.pi * (np.arange(frames) + 0.5) / frames) ** 0.5
    return sound / np.max(np.abs(sound))


def _hiss(rng: np.random.Generator) -> Sound:
    frames = round(rng.uniform(0.05, 0.14) * RATE)
    hz = rng.uniform(3000.0, 7500.0)
    noise = _resonance(rng.standard_normal(frames), hz, 1500.0)
    noise *= np.sin(np.pi * (np.arange(frames) + 0.5) / frames)
    return rng.uniform(0.1, 0.4) * noise / np.max(np.abs(noise))


def _stop(rng: np.random.Generator) -> Sound:
    """Silence, then a burst of some milliseconds that begins at once."""
    burst = rng.standard_normal(round(0.015 * RATE)) * np.exp(-np.arange(round(0.015 * RATE)) / 150)
    burst = _resonance(burst, rng.uniform(800.0, 4500.0), 900.0)
    silence = np.zeros(round(rng.uniform(0.03, 0.08) * RATE))
    return np.concatenate([silence, rng.uniform(0.2, 0.6) * burst / np.max(np.abs(burst))])


def _resonance(sound: Sound, hz: float, width: float) -> Sound:
    radius = np.exp(-np.pi * width / RATE)
    made: Sound = lfilter(
        [1.0], [1.0, -2 * radius * np.cos(2 * np.pi * hz / RATE), radius**2], sound
    )
    return made
