# SPDX-License-Identifier: GPL-3.0-or-later
"""A drum with two heads: modes, strokes on it, and what its two sides radiate.

The batter head is an ideal membrane; its (0, 1) and (1, 1) modes are coupled to those of the
resonant head by the enclosed air, and each so becomes a pair. All other modes stay the batter's
own. Decays, contact times and microphone weights are chosen for a plausible sound (common
practice, no source); the frequencies follow from tensions, masses and sizes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from dsp.demo.modal import (
    Floats,
    bessel_zero,
    contact_pulse,
    coupled_pair,
    glide,
    membrane_fundamental,
    struck_sum,
)

AIR_STIFFNESS = 1.204 * 343.2**2  # ρc² of air at 20 °C, pascals
ORDERS, COUNTS = 7, 4
LISTEN_AT = 0.66  # the microphone hangs over this part of the radius
LISTEN_HEIGHT = 0.04
RIM_SHORTER = 0.78  # contact time of a rim shot: the rim stops the stick


@dataclass(frozen=True)
class Head:
    """`tension` in N/m; `density` in kg/m², the air moving along included."""

    tension: float
    density: float


@dataclass(frozen=True)
class DrumSpec:
    """Everything that makes one drum; lengths in metres, times in seconds.

    `air` is the share of the ideal sealed air spring that is left (vent, yielding shell);
    `t60` is the fundamental's, other modes have t60 · (f/f_01)^−`t60_slope`; `contact` is the
    contact time of a full and of the softest stroke; `glide` the pitch rise of a full stroke;
    `brightness` the power of frequency by which modes radiate.
    """

    radius: float
    depth: float
    batter: Head
    resonant: Head
    air: float
    t60: float
    t60_slope: float
    contact: tuple[float, float]
    glide: float
    brightness: float


@dataclass(frozen=True)
class Modes:
    """Modes of a drum, one row each, all of shape (modes,).

    `order` m, `zero` j_mn, `turned` true for the sine twin of a mode with nodal diameters,
    `batter` and `resonant` the amplitudes on the two heads for a unit blow on the batter.
    """

    order: Floats
    zero: Floats
    turned: Floats
    hz: Floats
    t60: Floats
    batter: Floats
    resonant: Floats


@dataclass
class _Rows:
    rows: list[tuple[float, ...]] = field(default_factory=list)

    def add(self, order: int, zero: float, hz: float, batter: float, resonant: float) -> None:
        """Add a mode; with nodal diameters it has a twin, a little detuned by uneven lugs."""
        if order == 0:
            self.rows.append((order, zero, 0.0, hz, batter, resonant))
            return
        for turned, split in ((0.0, 0.9985), (1.0, 1.0015)):
            self.rows.append((order, zero, turned, hz * split, batter, resonant))


def pair_of(spec: DrumSpec, order: int) -> tuple[Floats, Floats]:
    """Frequencies (2,) and mass-weighted motions (2, 2) of the coupled (order, 1) pair.

    Air spring of a sealed cylinder: ρc²/(depth·σ), times the mode's swept-volume factor 4/j_01²
    for (0, 1). A (1, 1) mode sweeps no net volume: only sloshing couples it, taken as a fifth.
    """
    ratio = bessel_zero(order, 1) / bessel_zero(0, 1)
    swept = 4 / bessel_zero(0, 1) ** 2 if order == 0 else 0.2 * 4 / bessel_zero(0, 1) ** 2
    alone, air = [], []
    for head in (spec.batter, spec.resonant):
        alone.append(ratio * membrane_fundamental(spec.radius, head.tension, head.density))
        spring = spec.air * swept * AIR_STIFFNESS / (spec.depth * head.density)
        air.append(float(np.sqrt(spring)) / (2 * np.pi))
    return coupled_pair(alone[0], alone[1], air[0], air[1])


def fundamental(spec: DrumSpec) -> float:
    """Frequency in hertz of the lower (0, 1) mode, both heads moving the same way."""
    return float(pair_of(spec, 0)[0][0])


def make_modes(spec: DrumSpec) -> Modes:
    """Build the modes of a drum up to six nodal diameters and four circles."""
    rows = _Rows()
    lightness = np.sqrt(spec.batter.density / spec.resonant.density)
    for order in (0, 1):
        for hz, motion in zip(*pair_of(spec, order), strict=True):
            batter, resonant = motion
            rows.add(order, bessel_zero(order, 1), hz, batter**2, batter * resonant * lightness)
    own = membrane_fundamental(spec.radius, spec.batter.tension, spec.batter.density)
    for order in range(ORDERS):
        for count in range(1 if order > 1 else 2, COUNTS + 1):
            zero = bessel_zero(order, count)
            rows.add(order, zero, own * zero / bessel_zero(0, 1), 1.0, 0.12)
    order_, zero_, turned, hz_, batter_, resonant_ = np.array(rows.rows).T
    t60 = spec.t60 * (hz_ / fundamental(spec)) ** -spec.t60_slope
    return Modes(order_, zero_, turned, hz_, t60, batter_, resonant_)


@dataclass(frozen=True)
class Blow:
    """One stroke's physics.

    `level_db` re full, `radius` (share of the head's) and `angle` of the place struck; `rim`
    is true for a rim shot; `detune` are the modes' frequency factors, shape (modes,).
    """

    level_db: float
    radius: float
    angle: float
    rim: bool
    detune: Floats


def draw_blow(modes: Modes, level_db: float, rim: bool, rng: np.random.Generator) -> Blow:
    """Draw place and detuning of a stroke of the given level."""
    place = float(np.clip(rng.normal(0.30 if rim else 0.18, 0.055), 0.02, 0.4))
    angle = float(rng.uniform(0, 2 * np.pi))
    detune = 1 + rng.normal(0, 0.001, len(modes.hz))
    return Blow(level_db, place, angle, rim, detune)


def strike(spec: DrumSpec, modes: Modes, blow: Blow, frames: int, rate: int) -> Floats:
    """Sound of one stroke at the batter side and the resonant side, shape (2, frames).

    Sample 0 is the first of the arrival. The resonant side is what leaves the drum there: the
    sides of a head moving down push and pull, so an in-phase mode has opposite signs.
    """
    from scipy.special import jv

    angle = modes.order * blow.angle
    struck = jv(modes.order, modes.zero * blow.radius)
    struck *= np.where(modes.turned > 0, np.sin(angle), np.cos(angle))
    size = jv(modes.order + 1, modes.zero) ** 2 * np.where(modes.order > 0, 0.5, 1.0)
    # At the microphone's own angle the sine twins would have a node: it hangs between.
    heard = jv(modes.order, modes.zero * LISTEN_AT) * np.cos(modes.order * 0.35 - modes.turned)
    heard *= np.exp(-modes.zero / spec.radius * LISTEN_HEIGHT)
    radiated = (modes.hz / fundamental(spec)) ** spec.brightness
    gain = struck * heard * radiated / size * 10 ** (blow.level_db / 20)
    gains = np.stack([-gain * modes.batter, gain * modes.resonant])
    pulse = contact_pulse(contact_time(spec, blow), rate)
    sides = struck_sum(modes.hz * blow.detune, modes.t60, gains, pulse, frames, rate)
    rise = spec.glide * 10 ** (blow.level_db / 20)
    if rise < 1e-4:
        return sides
    return np.stack([glide(side, rise, 0.07, rate) for side in sides])


def contact_time(spec: DrumSpec, blow: Blow) -> float:
    """Contact time in seconds: full strokes are short and bright, soft ones long and dull."""
    share = min(1.0, max(0.0, -blow.level_db / 26.0))
    time = spec.contact[0] * (spec.contact[1] / spec.contact[0]) ** share
    return float(time * (RIM_SHORTER if blow.rim else 1.0))
