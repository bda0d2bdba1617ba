# SPDX-License-Identifier: GPL-3.0-or-later
"""The snare drum of the demo: heads, stick click and wires, as heard above and below.

Levels, contact times and the wires' band are chosen by ear for plausibility (common practice,
no source); the heads' frequencies follow from tension, mass and size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.demo.drum import (
    Blow,
    DrumSpec,
    Head,
    Modes,
    contact_time,
    draw_blow,
    fundamental,
    make_modes,
    strike,
)
from dsp.demo.modal import Floats, contact_pulse
from dsp.demo.noise import Noise, buzz, decay, fade_out, make_noise

SNARE = DrumSpec(
    radius=0.1778,
    depth=0.14,
    batter=Head(tension=2000.0, density=0.26),
    resonant=Head(tension=1900.0, density=0.16),
    air=0.42,
    t60=0.52,
    t60_slope=0.75,
    contact=(0.0009, 0.0026),
    glide=0.012,
    brightness=0.3,
)
LONGEST = 0.62  # seconds of a full stroke that are made: beyond, it is below −70 dB
LEVELS = np.array([-26.0, -19.5, -13.0, -6.5, 0.0])
WIRES_LIFT = 0.028  # of a full stroke's peak on the snare side
WIRES_BELOW, WIRES_ABOVE = 2.6, 0.55
CLICK_ABOVE, CLICK_BELOW = 0.3, 0.07
SLAP = 0.36


@dataclass(frozen=True)
class Snare:
    """The drum ready to be played at one sample rate.

    `units` (2, levels) scales the heads' sound of a middling stroke to its level, above and
    below, at each of `LEVELS`.
    """

    rate: int
    modes: Modes
    units: Floats
    wires: Noise
    click: Noise

    @property
    def fundamental_hz(self) -> float:
        """Frequency of the lower (0, 1) mode."""
        return fundamental(SNARE)

    def draw(self, level_db: float, rim: bool, rng: np.random.Generator) -> Blow:
        """Draw the place and the small irregularities of a stroke of −26 … 0 dB."""
        return draw_blow(self.modes, level_db, rim, rng)

    def play(self, blow: Blow, rng: np.random.Generator) -> Floats:
        """One stroke above and below the drum, shape (2, frames); full strokes peak near ±1.

        Sample 0 of either row is the first of the arrival there. The level is the peak of the
        heads' sound of a stroke in a middling place; other places give a few decibels more or
        less.
        """
        frames = round((LONGEST + 0.012 * max(blow.level_db, -20.0)) * self.rate)
        sides = strike(SNARE, self.modes, blow, frames, self.rate)
        sides *= np.array([[np.interp(blow.level_db, LEVELS, row)] for row in self.units])
        rattle = buzz(sides[1], WIRES_LIFT, self.wires, rng, self.rate)
        through = round(SNARE.depth / 343.2 * self.rate)
        sides[0, through:] += WIRES_ABOVE * rattle[:-through]
        sides[1] += WIRES_BELOW * rattle
        self._add_attack(sides, blow, rng)
        return np.stack([fade_out(s, frames - self.rate // 50, self.rate // 50) for s in sides])

    def rattle(self, velocity: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Wires set off by another drum: above and below, each of the shape of `velocity`.

        `velocity` is the motion of the snare-side head in the unit of a full stroke.
        """
        noise = buzz(velocity, WIRES_LIFT, self.wires, rng, self.rate)
        return WIRES_ABOVE * noise, WIRES_BELOW * noise

    def _add_attack(self, sides: Floats, blow: Blow, rng: np.random.Generator) -> None:
        """Add what the place struck radiates by itself: a slap, and the stick's own click.

        The head under the stick moves as fast as it is pressed, so its sound is the derivative
        of the contact force, down first. The click is a burst of a millisecond that grows faster
        than the stroke.
        """
        force = 10 ** (blow.level_db / 20)
        pulse = contact_pulse(contact_time(SNARE, blow), self.rate)
        slap = np.diff(pulse, prepend=0.0, append=0.0) * (SNARE.contact[0] * self.rate) ** 2
        # Levels are peaks of the heads' sound: a longer contact needs more force for its level.
        effort = np.interp(blow.level_db, LEVELS, self.units[0]) / self.units[0, -1]
        sides[0, : len(slap)] -= SLAP * force * effort * slap
        frames = self.rate // 50
        click = force**1.35 * (1.3 if blow.rim else 1.0)
        burst = click * decay(0.010, 0.00015, frames, self.rate) * self.click.take(frames, rng)
        sides[0, :frames] += CLICK_ABOVE * burst
        sides[1, :frames] += CLICK_BELOW * burst


def make_snare(rate: int, seed: int) -> Snare:
    """Make the drum and its noises for one sample rate."""
    modes = make_modes(SNARE)
    even = np.ones(len(modes.hz))
    units = []
    for level in LEVELS:
        # A longer contact takes peak from the partials: make up for it, so that levels are peaks.
        sides = strike(SNARE, modes, Blow(float(level), 0.2, 0.0, False, even), rate // 10, rate)
        units.append(10 ** (level / 20) / np.abs(sides).max(axis=1))
    return Snare(
        rate,
        modes,
        np.array(units).T,
        make_noise(2_300.0, 9_500.0, 14.0, rate, [seed, 101]),
        make_noise(1_500.0, 9_000.0, 9.0, rate, [seed, 102]),
    )
