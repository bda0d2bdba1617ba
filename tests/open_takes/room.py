# SPDX-License-Identifier: GPL-3.0-or-later
"""A drum kit in a shoe-box room: impulse responses from every voice to every microphone.

Image sources by pyroomacoustics, with frequency-independent walls. Distances from the snare to
the microphones are whole samples, so the snare's direct sound arrives undispersed at an exact
sample; the other voices arrive at fractional samples, as in a real room.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pyroomacoustics
from numpy.typing import NDArray
from pyroomacoustics.parameters import constants

from tests.open_takes.sources import RATE

SOUND_M_S = 343.0
MICROPHONES = ("top", "bottom", "overhead", "room")

_SIZE_M = (6.4, 5.2, 2.9)
_HEAD_M = np.array([2.9, 2.3, 0.70])
"""Place on the snare's top head that is struck."""

_SNARE_SAMPLES = {"top": 13, "bottom": 22, "overhead": 154, "room": 490}
"""Direct paths from the snare: 9.3 cm, 15.7 cm, 1.10 m, 3.50 m."""

_TOWARD = {
    "top": (-0.75, -0.40, 0.52),
    "bottom": (-0.15, -0.10, -0.98),
    "overhead": (0.10, -0.15, 0.98),
    "room": (0.72, 0.62, 0.25),
}

_VOICES_M: dict[str, tuple[float, float, float]] = {
    # offset from the struck place: x toward the drummer's right, y to the front, z up
    "hat": (-0.46, 0.14, 0.20),
    "tom high": (-0.10, 0.48, 0.18),
    "tom mid": (0.30, 0.52, 0.18),
    "tom low": (0.82, -0.12, 0.00),
    "kick": (0.28, 0.48, -0.42),
    "crash": (-0.55, 0.70, 0.50),
    "ride": (0.80, 0.45, 0.35),
    "china": (1.00, 0.20, 0.55),
}

VOICES = ("snare", *_VOICES_M)


@dataclass(frozen=True)
class Room:
    """Absorption (0..1, of energy) of the walls and the order of the image sources."""

    absorption: float = 0.45
    order: int = 8


@dataclass(frozen=True)
class Path:
    """From one voice to one microphone.

    Attributes:
        response: impulse response (taps,), index 0 is the moment of the stroke; gain 1 stands
            for the snare's direct sound at its top microphone.
        delay: samples from the stroke to the arrival of its direct sound, rounded.

    """

    response: NDArray[np.float64]
    delay: int


@cache
def paths(room: Room) -> dict[str, dict[str, Path]]:
    """All paths by voice, then microphone; computed once per room."""
    heads = _microphones()
    # The high-pass is zero-phase and would smear every arrival backwards; one thread, so that
    # sums are in the same order on every machine.
    for name, value in (("rir_hpf_enable", False), ("num_threads", 1), ("c", SOUND_M_S)):
        constants.set(name, value)
    box = pyroomacoustics.ShoeBox(
        _SIZE_M,
        fs=RATE,
        materials=pyroomacoustics.Material(room.absorption),
        max_order=room.order,
        air_absorption=False,
    )
    places = {voice: _HEAD_M + np.array(_VOICES_M.get(voice, (0.0, 0.0, 0.0))) for voice in VOICES}
    for place in places.values():
        box.add_source(place)
    box.add_microphone_array(np.array([heads[name] for name in MICROPHONES]).T)
    box.compute_rir()
    reference = float(np.linalg.norm(heads["top"] - _HEAD_M))
    return {
        voice: {
            name: _path(box.rir[m][v], heads[name] - places[voice], reference, name)
            for m, name in enumerate(MICROPHONES)
        }
        for v, voice in enumerate(VOICES)
    }


def filter_delay() -> int:
    """Samples by which pyroomacoustics delays every response (half its fractional-delay filter)."""
    return int(constants.get("frac_delay_length")) // 2


def _path(raw: NDArray[np.float64], away: NDArray[np.float64], reference: float, name: str) -> Path:
    distance = float(np.linalg.norm(away))
    polarity = -1.0 if name == "bottom" else 1.0
    response = polarity * reference * np.asarray(raw, dtype=np.float64)[filter_delay() :]
    exact = distance / SOUND_M_S * RATE
    # Nothing travels faster than sound, but the symmetric fractional-delay filter writes a
    # little before the arrival of the direct sound.
    response[: math.floor(exact + 1e-6)] = 0.0
    return Path(response, round(exact))


def _microphones() -> dict[str, NDArray[np.float64]]:
    places = {}
    for name in MICROPHONES:
        toward = np.array(_TOWARD[name])
        distance = _SNARE_SAMPLES[name] * SOUND_M_S / RATE
        places[name] = _HEAD_M + toward / np.linalg.norm(toward) * distance
    return places
