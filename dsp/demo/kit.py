# SPDX-License-Identifier: GPL-3.0-or-later
"""The rest of the demo's kit: hi-hat, ride, crash, kick drum and two toms, at one metre.

A cymbal is many inharmonic partials (their density over frequency is constant, as for a thin
plate) and noise in bands that stand for the partials too dense to tell apart; high bands build
up a little later and die sooner. Values are chosen for plausibility (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.demo.drum import DrumSpec, Head, Modes, draw_blow, make_modes, strike
from dsp.demo.modal import Floats, damped_sum
from dsp.demo.noise import Noise, decay, fade_out, make_noise

CYMBAL_BANDS = ((350.0, 1_200.0), (1_200.0, 3_500.0), (3_500.0, 8_000.0), (8_000.0, 16_000.0))


@dataclass(frozen=True)
class CymbalSpec:
    """One cymbal sound. Levels are linear at one metre, times in seconds.

    `partials` between `low` and `high` hertz share the level `tone`; their T60 is `t60` at 1 kHz,
    falling with frequency to the power −`slope`. `wash` and `rise` belong to `CYMBAL_BANDS`: level
    and build-up time of each band's noise. `tick` is the stick's own burst.
    """

    partials: int
    low: float
    high: float
    tone: float
    t60: float
    slope: float
    wash: tuple[float, float, float, float]
    rise: tuple[float, float, float, float]
    tick: float


NO_RISE = (0.0, 0.0, 0.0, 0.0)
CYMBALS = {
    ("hat", "closed"): CymbalSpec(
        40, 420, 12_000, 0.018, 0.30, 0.35, (0.004, 0.010, 0.034, 0.050), NO_RISE, 0.05
    ),
    ("hat", "open"): CymbalSpec(
        40, 420, 12_000, 0.030, 1.6, 0.30,
        (0.006, 0.020, 0.060, 0.075), (0.004, 0.003, 0.002, 0.001), 0.05,
    ),
    ("hat", "pedal"): CymbalSpec(
        40, 300, 9_000, 0.016, 0.22, 0.35,
        (0.008, 0.014, 0.018, 0.012), (0.006, 0.004, 0.003, 0.002), 0.0,
    ),
    ("ride", "tip"): CymbalSpec(
        48, 320, 10_000, 0.085, 2.4, 0.35,
        (0.007, 0.014, 0.018, 0.014), (0.030, 0.015, 0.006, 0.003), 0.15,
    ),
    ("crash", "edge"): CymbalSpec(
        90, 260, 13_000, 0.085, 4.2, 0.45,
        (0.030, 0.070, 0.105, 0.085), (0.030, 0.016, 0.008, 0.004), 0.10,
    ),
}  # fmt: skip
DRUMS = {
    "kick": DrumSpec(
        0.28, 0.40, Head(430.0, 0.35), Head(380.0, 0.30), 0.12, 0.26, 0.4,
        (0.0028, 0.0050), 0.03, 0.55,
    ),
    "rack": DrumSpec(
        0.1524, 0.20, Head(780.0, 0.30), Head(820.0, 0.24), 0.30, 0.75, 0.7,
        (0.0014, 0.0032), 0.025, 0.6,
    ),
    "floor": DrumSpec(
        0.2032, 0.38, Head(515.0, 0.30), Head(540.0, 0.24), 0.30, 0.95, 0.7,
        (0.0016, 0.0036), 0.03, 0.6,
    ),
}  # fmt: skip
DRUM_LEVEL = {"kick": 0.30, "rack": 0.20, "floor": 0.24}
DRUM_CLICK = {"kick": 0.020, "rack": 0.012, "floor": 0.010}


@dataclass(frozen=True)
class Kit:
    """All voices but the snare drum, ready to be played at one sample rate."""

    rate: int
    seed: int
    drums: dict[str, Modes]
    units: dict[str, float]
    bands: tuple[Noise, ...]
    click: Noise

    def cymbal(self, voice: str, kind: str, level_db: float, rng: np.random.Generator) -> Floats:
        """One stroke on a cymbal at one metre, shape (frames,); until it is 66 dB down."""
        spec = CYMBALS[voice, kind]
        own = np.random.default_rng([self.seed, 200 + sorted(CYMBALS).index((voice, kind))])
        hz = np.sort(own.uniform(spec.low, spec.high, spec.partials))
        hz[: spec.partials // 4] = np.sort(own.uniform(spec.low, 2_200, spec.partials // 4))
        t60 = self._t60(spec, hz) * own.uniform(0.8, 1.15, len(hz))
        frames = round(1.1 * float(t60.max()) * self.rate)
        force = 10 ** (level_db / 20)
        # A soft stroke leaves the high partials nearly at rest.
        tilt = (hz / 1_000.0) ** (level_db / 60)
        share = rng.rayleigh(1.0, len(hz)) * np.exp(1j * rng.uniform(0, 2 * np.pi, len(hz)))
        gains = (force * spec.tone / np.sqrt(len(hz)) * tilt * share)[None]
        result = damped_sum(hz, t60, gains, frames, self.rate)[0]
        for band, noise, level, rise in zip(
            CYMBAL_BANDS, self.bands, spec.wash, spec.rise, strict=True
        ):
            centre = float(np.sqrt(band[0] * band[1]))
            time = float(self._t60(spec, np.array([centre]))[0])
            count = min(frames, round(1.1 * time * self.rate))
            scale = force * level * (centre / 1_000.0) ** (level_db / 60)
            envelope = decay(time, rise, count, self.rate)
            result[:count] += scale * envelope * noise.take(count, rng)
        self._add_tick(result, force**1.2 * spec.tick, rng)
        return fade_out(result, frames - self.rate // 20, self.rate // 20)

    def drum(self, voice: str, level_db: float, rng: np.random.Generator) -> Floats:
        """One stroke on kick or tom at one metre, shape (frames,); the batter side leads."""
        spec, modes = DRUMS[voice], self.drums[voice]
        frames = round(1.15 * spec.t60 * self.rate)
        blow = draw_blow(modes, level_db, False, rng)
        sides = strike(spec, modes, blow, frames, self.rate)
        result = DRUM_LEVEL[voice] * self.units[voice] * sides[0]
        self._add_tick(result, DRUM_CLICK[voice] * 10 ** (1.3 * level_db / 20), rng)
        return fade_out(result, frames - self.rate // 20, self.rate // 20)

    def _add_tick(self, samples: Floats, level: float, rng: np.random.Generator) -> None:
        count = min(len(samples), self.rate // 40)
        burst = decay(0.012, 0.0001, count, self.rate) * self.click.take(count, rng)
        samples[:count] += level * burst

    @staticmethod
    def _t60(spec: CymbalSpec, hz: Floats) -> Floats:
        return np.asarray(spec.t60 * (np.maximum(hz, 500.0) / 1_000.0) ** -spec.slope)


def make_kit(rate: int, seed: int) -> Kit:
    """Make all voices for one sample rate; a drum's full stroke peaks at its `DRUM_LEVEL`."""
    drums = {voice: make_modes(spec) for voice, spec in DRUMS.items()}
    units = {}
    for voice, modes in drums.items():
        blow = draw_blow(modes, 0.0, False, np.random.default_rng(0))
        peak = np.abs(strike(DRUMS[voice], modes, blow, rate // 5, rate)[0]).max()
        units[voice] = float(1 / peak)
    bands = tuple(
        make_noise(low, high, 18.0, rate, [seed, 110 + k])
        for k, (low, high) in enumerate(CYMBAL_BANDS)
    )
    return Kit(rate, seed, drums, units, bands, make_noise(1_800, 9_000, 9.0, rate, [seed, 120]))
