# SPDX-License-Identifier: GPL-3.0-or-later
"""A recording of single strokes with known truth: from ghost note to full, doubles and talk too.

Every microphone is the drum in the room, talk in the same room, and noise. The drum is struck at
each of `LEVELS_DB` several times; no two strokes are alike. Between them lie strokes that are of
no use: flams, bounces, buzzes, strokes whose tail the next one cuts off, and talk.
"""

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from tests.open_takes import room, sources, speech, strokes

RATE = sources.RATE
MICROPHONES = {"close": "top", "overhead": "overhead", "room": "room"}
LEVELS_DB = (-36.0, -30.0, -24.5, -19.5, -14.5, -10.0, -5.5, -1.0)
JITTER_DB = 0.7
EACH = 5
SPACING_S = (0.95, 1.25)
NOISE_DB = -80.0
PEAK_DB = -4.0
FAR_GAIN_DB = 14.0  # preamplifiers of the far microphones, against the close one's
TALK_BEGINS_DB = -46.0  # re its peak; what is softer is in the noise
TALKER = "hat"  # talk comes from beside the drum
SOUNDS_S = 0.75  # after this a stroke is in the noise in every microphone

Sound = NDArray[np.float64]


@dataclass(frozen=True)
class Single:
    """One stroke: first sample of its direct sound by microphone, level re full in dB, its kind.

    `kind` is `single`, `flam`, `bounce`, `buzz` (every stroke of such a group), `cut off` (the
    next stroke comes before its tail has ended), or `talked over`.
    """

    arrival: dict[str, int]
    level_db: float
    kind: str


@dataclass(frozen=True)
class SingleStrokes:
    """The recording: float64 (frames,) by microphone, its strokes in order, spans of talk."""

    rate: int
    tracks: dict[str, Sound]
    strokes: tuple[Single, ...]
    talk: tuple[tuple[int, int], ...]

    def delay(self, microphone: str) -> int:
        """Samples by which every stroke reaches a microphone later than the close one."""
        first = self.strokes[0].arrival
        return first[microphone] - first["close"]


@dataclass
class _Score:
    """What happens when: strokes (sample, level, kind), and talk (sample, syllables, level)."""

    struck: list[tuple[int, float, str]]
    said: list[tuple[int, int, float]]
    now: int


def make(
    snare: str = "snare soft", seed: int = 0, levels: tuple[float, ...] = LEVELS_DB
) -> SingleStrokes:
    """Make a recording; the same arguments give the same samples."""
    rng = np.random.default_rng([seed, zlib.crc32(snare.encode())])
    score = _score(levels, rng)
    frames = score.now
    paths = room.paths(room.Room(0.6))
    drum, talk = np.zeros(frames), np.zeros(frames)
    source = sources.load(snare)
    for at, level, _ in score.struck:
        _add(drum, at, strokes.play(source, level, rng))
    spans = []
    for at, syllables, level in score.said:
        sound = speech.say(syllables, rng)
        _add(talk, at, 10 ** (level / 20) * sound)
        begins = at + sources.first_sample(sound, TALK_BEGINS_DB)  # a stop begins with silence
        spans.append((begins, min(at + len(sound) + round(0.2 * RATE), frames)))
    tracks = {}
    for name, place in MICROPHONES.items():
        direct = paths[TALKER][place].response
        heard = oaconvolve(drum, paths["snare"][place].response)[:frames]
        # Talk's levels are those at the close microphone.
        spoken = oaconvolve(talk, direct / np.max(np.abs(paths[TALKER]["top"].response)))[:frames]
        tracks[name] = (heard + spoken) * (1.0 if name == "close" else 10 ** (FAR_GAIN_DB / 20))
    gain = 10 ** (PEAK_DB / 20) / np.max(np.abs(tracks["close"]))
    for name in tracks:
        noise = 10 ** (NOISE_DB / 20) * rng.standard_normal(frames)
        tracks[name] = tracks[name] * gain + noise
    made = tuple(
        Single(
            {name: at + paths["snare"][place].delay for name, place in MICROPHONES.items()},
            level,
            kind,
        )
        for at, level, kind in score.struck
    )
    return SingleStrokes(RATE, tracks, made, tuple(spans))


def _score(levels: tuple[float, ...], rng: np.random.Generator) -> _Score:
    score = _Score([], [], round(0.4 * RATE))
    for number, level in enumerate(levels):
        for _ in range(EACH):
            score.struck.append((score.now, level + rng.uniform(-JITTER_DB, JITTER_DB), "single"))
            _wait(score, rng)
        _useless(score, number, level, rng)
    return score


def _useless(score: _Score, number: int, level: float, rng: np.random.Generator) -> None:
    """After each level, something of every kind in turn, and talk."""
    kind = ("flam", "bounce", "cut off", "buzz")[number % 4]
    gaps_s, falls_db = {
        "flam": ((0.0, rng.uniform(0.018, 0.035)), (-6.0, 0.0)),
        "bounce": ((0.0, rng.uniform(0.06, 0.11)), (0.0, -9.0)),
        "cut off": ((0.0, rng.uniform(0.12, 0.2)), (0.0, -1.0)),
        "buzz": (tuple(0.028 * n for n in range(6)), tuple(-4.0 * n for n in range(6))),
    }[kind]
    for gap, fall in zip(gaps_s, falls_db, strict=True):
        last = kind == "cut off" and gap > 0
        score.struck.append(
            (score.now + round(gap * RATE), level + fall, "single" if last else kind)
        )
    score.now += round(gaps_s[-1] * RATE)
    _wait(score, rng)
    loud = rng.uniform(-34.0, -22.0)
    score.said.append((score.now, int(rng.integers(2, 5)), loud))
    score.now += round(1.6 * RATE)
    # And one stroke whose tail somebody talks into.
    score.struck.append((score.now, level, "talked over"))
    score.said.append((score.now + round(rng.uniform(0.08, 0.2) * RATE), 2, loud))
    score.now += round(1.0 * RATE)
    _wait(score, rng)


def _wait(score: _Score, rng: np.random.Generator) -> None:
    score.now += round(rng.uniform(*SPACING_S) * RATE)


def _add(track: Sound, at: int, sound: Sound) -> None:
    count = min(len(sound), len(track) - at)
    track[at : at + count] += sound[:count]
