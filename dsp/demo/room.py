# SPDX-License-Identifier: GPL-3.0-or-later
"""Where everything stands, and what distance, direction and the room do to a sound.

Direct sound: delay d/c rounded to the nearest sample (so that nothing rings before an arrival),
level 1/d. Room: first-order reflections of a shoebox and an exponentially decaying diffuse tail
whose level follows from the room's critical distance. Positions are metres (right, forward, up).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.demo.modal import Floats

SPEED_OF_SOUND = 343.2
Point = tuple[float, float, float]

PLACES: dict[str, Point] = {
    "snare": (0.0, 0.0, 0.65),
    "hat": (-0.42, 0.12, 0.90),
    "ride": (0.80, 0.50, 1.00),
    "crash": (-0.38, 0.70, 1.25),
    "kick": (0.32, 0.40, 0.30),
    "rack": (0.10, 0.45, 0.85),
    "floor": (0.72, 0.02, 0.60),
}
SHELL_DEPTH = 0.14
LOW_CORNER, HIGH_CORNER = (-3.1, -1.9, 0.0), (3.4, 6.1, 3.1)
T60_LOW, T60_HIGH = 0.42, 0.27
WALL = 0.62  # pressure left after one reflection
TAIL_FROM = 0.014
TAIL_UNTIL = 0.40


@dataclass(frozen=True)
class Channel:
    """One microphone: `aim` is a unit vector for a close cardioid, None for one that hears all.

    `gain` is the preamplifier's, from a full snare stroke at one metre, or at the head for the
    close ones, to full scale.
    """

    place: Point
    aim: Point | None
    gain: float


MICROPHONES: dict[str, tuple[Channel, ...]] = {
    "top": (Channel((0.0, 0.14, 0.70), (0.0, -0.71, -0.71), 0.165),),
    "bottom": (Channel((0.03, 0.10, 0.45), (0.0, -0.3, 0.954), 0.13),),
    "overhead": (
        Channel((-0.55, 0.05, 1.75), None, 0.52),
        Channel((0.62, 0.10, 1.75), None, 0.52),
    ),
    "room": (Channel((-0.9, 3.3, 1.6), None, 0.66), Channel((0.9, 3.3, 1.6), None, 0.66)),
}


def distance(a: Point, b: Point) -> float:
    """Return the distance of two points in metres."""
    return float(np.linalg.norm(np.subtract(a, b)))


def delay_samples(metres: float, rate: int) -> int:
    """Samples that sound takes for `metres` at 20 °C, to the nearest sample."""
    return round(metres / SPEED_OF_SOUND * rate)


def direct_gain(channel: Channel, place: Point) -> float:
    """1/d, times a cardioid's 0.5 + 0.5 cos θ (never below 0.2) where the microphone is aimed.

    The microphone under the drum lies in its shadow for everything above the head.
    """
    metres = distance(channel.place, place)
    if channel.aim is None:
        return 1 / metres
    towards = np.subtract(place, channel.place) / metres
    turned = 0.5 + 0.5 * float(np.dot(towards, channel.aim))
    below = channel.place[2] < PLACES["snare"][2] < place[2]
    return max(0.2, turned) * (0.45 if below else 1.0) / metres


def room_response(channel: Channel, place: Point, rate: int, rng: np.random.Generator) -> Floats:
    """Everything but the direct sound, for a source of level 1 at one metre, shape (frames,)."""
    response = np.zeros(round(TAIL_UNTIL * rate))
    if channel.aim is None:
        for image in _images(place):
            metres = distance(channel.place, image)
            response[delay_samples(metres, rate)] += WALL / metres
    start = delay_samples(distance(channel.place, place), rate) + round(TAIL_FROM * rate)
    time = np.arange(len(response) - start) / rate
    noise = rng.standard_normal((2, len(time)))
    dull = np.convolve(noise[0], np.full(8, 8**-0.5))[: len(time)]
    fall = -np.log(1e3) * time
    tail = 0.7 * dull * np.exp(fall / T60_LOW) + 0.7 * noise[1] * np.exp(fall / T60_HIGH)
    response[start:] += tail * (_diffuse_level(channel) / np.sqrt(np.sum(tail**2)))
    return response


def _images(place: Point) -> list[Point]:
    """Mirror the source in the six walls."""
    images = []
    for axis in range(3):
        for wall in (LOW_CORNER[axis], HIGH_CORNER[axis]):
            image = list(place)
            image[axis] = 2 * wall - place[axis]
            images.append((image[0], image[1], image[2]))
    return images


def _diffuse_level(channel: Channel) -> float:
    """√ of diffuse over direct energy at one metre: 1/r_c, r_c = 0.057 √(V/T60).

    A cardioid picks up a third of the diffuse energy. (H. Kuttruff, Room Acoustics, chapter 5.)
    """
    volume = float(np.prod(np.subtract(HIGH_CORNER, LOW_CORNER)))
    critical = 0.057 * np.sqrt(volume / T60_LOW)
    late = np.exp(-np.log(1e6) * TAIL_FROM / T60_LOW)
    return float(np.sqrt(late / (1.0 if channel.aim is None else 3.0)) / critical)


class Convolver:
    """Convolves one signal (frames,) with many short responses; its spectra are made once."""

    def __init__(self, samples: Floats, longest: int) -> None:
        self.frames = len(samples)
        self.size = 2 ** int(np.ceil(np.log2(2 * longest)))
        self.hop = self.size - longest + 1
        blocks = -(-self.frames // self.hop)
        padded = np.zeros(blocks * self.hop)
        padded[: self.frames] = samples
        self.spectra = np.fft.rfft(padded.reshape(blocks, self.hop), self.size, axis=1)

    def apply(self, response: Floats) -> Floats:
        """Return the convolution, cut to the signal's length."""
        blocks = np.fft.irfft(self.spectra * np.fft.rfft(response, self.size), self.size, axis=1)
        result = np.zeros((len(blocks) - 1) * self.hop + self.size)
        for number, block in enumerate(blocks):
            result[number * self.hop : number * self.hop + self.size] += block
        return result[: self.frames]
