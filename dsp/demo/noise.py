# SPDX-License-Identifier: GPL-3.0-or-later
"""Band-shaped noise, made once and read in seeded slices, and the buzz of the snare wires."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.demo.modal import Floats

POOL_SECONDS = 7.0


@dataclass(frozen=True)
class Noise:
    """Noise of unit RMS in one band; `take` returns a slice of shape (frames,)."""

    samples: Floats

    def take(self, frames: int, rng: np.random.Generator) -> Floats:
        """Return `frames` samples from a random place."""
        start = int(rng.integers(len(self.samples) - frames))
        return self.samples[start : start + frames]


def make_noise(low: float, high: float, slope: float, rate: int, seed: list[int]) -> Noise:
    """Make noise between `low` and `high` hertz, falling off by `slope` dB an octave outside.

    The edges are those of the spectrum's magnitude at −3 dB. The spectrum is the same at every
    sample rate, as far as the rate carries it.
    """
    rng = np.random.default_rng(seed)
    frames = round(POOL_SECONDS * rate)
    hz = np.fft.rfftfreq(frames, 1 / rate)
    hz[0] = hz[1]
    order = slope / (20 * np.log10(2))
    shape = 1 / np.sqrt((1 + (low / hz) ** (2 * order)) * (1 + (hz / high) ** (2 * order)))
    shape[0] = 0.0
    spectrum = shape * (rng.standard_normal(len(hz)) + 1j * rng.standard_normal(len(hz)))
    samples = np.fft.irfft(spectrum, frames)
    return Noise(samples / np.sqrt(np.mean(samples**2)))


def buzz(
    velocity: Floats, threshold: float, wires: Noise, rng: np.random.Generator, rate: int
) -> Floats:
    """Wires thrown off the head: noise that lives while the head moves faster than `threshold`.

    `velocity` of the snare-side head, shape (frames,), any unit; the result has the same shape.
    Each outward swing above the threshold (wires leave the head) adds to an excitation that dies
    within milliseconds; the excitation scales noise of the wires' band. Below the threshold the
    wires lie on the head and are silent.
    """
    block = max(1, rate // 3000)
    count = -(-len(velocity) // block)
    padded = np.zeros(count * block)
    padded[: len(velocity)] = velocity
    swing = padded.reshape(count, block).max(axis=1)
    thrown = np.maximum(swing - threshold, 0.0) ** 0.9
    settle = np.exp(-np.arange(48) * (block / rate) / 0.0022)
    level = np.convolve(thrown, settle / settle.sum())[:count]
    if not level.any():
        return np.zeros(len(velocity))
    smooth = np.interp(np.arange(len(velocity)), (np.arange(count) + 1) * block, level)
    return smooth * wires.take(len(velocity), rng)


def decay(t60: float, rise: float, frames: int, rate: int) -> Floats:
    """Envelope of shape (frames,): rises with time constant `rise`, falls 60 dB in `t60` (s)."""
    time = np.arange(frames) / rate
    fall = np.exp(-np.log(1e3) / t60 * time)
    if rise <= 0:
        return np.asarray(fall)
    return np.asarray(fall * -np.expm1(-(time + 1 / rate) / rise))


def fade_out(samples: Floats, at: int, frames: int) -> Floats:
    """Cut `samples` off at `at` with a cosine fade of `frames`: a choke, or a clean end."""
    end = min(len(samples), at + frames)
    result = samples[:end].copy()
    ramp = 0.5 + 0.5 * np.cos(np.pi * (np.arange(frames) + 1) / frames)
    result[at:end] *= ramp[: max(0, end - at)]
    return result
