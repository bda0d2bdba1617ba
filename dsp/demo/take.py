# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo take: four microphones on an invented kit, with every part of them known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from dsp.demo.desk import Desk, Stem, add
from dsp.demo.groove import FULL_SECONDS, Event, perform
from dsp.demo.kit import Kit, make_kit
from dsp.demo.noise import fade_out
from dsp.demo.room import (
    MICROPHONES,
    PLACES,
    SHELL_DEPTH,
    Point,
    delay_samples,
    distance,
)
from dsp.demo.singles import AT_END, play_singles
from dsp.demo.snare import LONGEST as LONGEST_STROKE
from dsp.demo.snare import SNARE, Snare, make_snare
from dsp.errors import UsageError
from dsp.take import HIGHEST_RATE, LOWEST_RATE, Take

SHORTEST, LONGEST = 1.0, 120.0
SNARE_AT_A_METRE = 0.16  # of the sound at the head
BELOW_IN_FAR = 0.35  # of the snare side's sound, in what leaves the drum upwards
SYMPATHY = 0.25  # of another drum's sound, as motion of the snare-side head
HAT_CHOKE, HAND_CHOKE = 0.03, 0.12  # seconds


@dataclass(frozen=True)
class Stroke:
    """One true stroke on the snare drum.

    `contact` is the sample at which the stick touches the head and `samples` the first sample of
    the arrival in each microphone (the nearer one of a pair): the stroke adds exact zeros before
    it. `level_db` is the force re a full stroke (−26 … 0), `velocity` = 10^(level_db/40), 0 … 1.
    `peak_dbfs` is the peak of this stroke alone in the close microphones. `kind` is `ghost`,
    `tap`, `accent`, `backbeat` or `rimshot`; in the recording of single strokes `single`, `flam` or
    `bounce`.
    """

    contact: int
    samples: Mapping[str, int]
    velocity: float
    level_db: float
    peak_dbfs: Mapping[str, float]
    ghost: bool
    kind: str


@dataclass(frozen=True)
class DemoTake:
    """A take and its truth.

    `stems[microphone][source]` is float32 of the track's shape; sources are `dsp.demo.SOURCES` and
    `noise`. A track is the sum of its stems, added in that order in float64, exactly. `events`
    are all strokes of all voices, `fundamental_hz` is the snare drum's lower (0, 1) mode.
    """

    take: Take
    stems: Mapping[str, Mapping[str, Stem]]
    strokes: tuple[Stroke, ...]
    events: tuple[Event, ...]
    fundamental_hz: float


def make_demo(seconds: float | None = None, seed: int = 1, rate: int = 48_000) -> DemoTake:
    """Make the demo take: tracks `top`, `bottom` (mono), `overhead`, `room` (stereo).

    `seconds` (1 … 120; None for the whole part, about 27 s), `seed` (0 or more) and `rate` (Hz,
    44 100 … 192 000) decide every sample. Raises `UsageError` for anything else. A take of 27 s
    at 48 kHz holds about 270 MB, most of it stems.
    """
    seconds = FULL_SECONDS if seconds is None else seconds
    if not SHORTEST <= seconds <= LONGEST:
        raise UsageError(f"demo of {seconds} s; accepted: {SHORTEST:g} to {LONGEST:g} s")
    _check(seed, rate)
    desk = Desk(round(seconds * rate), rate, seed)
    events = perform(seconds, seed)
    snare, kit = make_snare(rate, seed), make_kit(rate, seed)
    strokes = _play_snare(desk, snare, [e for e in events if e.voice == "snare"])
    for voice in ("hat", "ride", "crash"):
        _play_cymbal(desk, kit, voice, [e for e in events if e.voice == voice])
    for voice in ("kick", "rack", "floor"):
        _play_drum(desk, kit, snare, voice, [e for e in events if voice in (e.voice, e.kind)])
    desk.add_noise()
    return DemoTake(Take(rate, desk.tracks()), desk.stems, strokes, events, snare.fundamental_hz)


def make_singles(seed: int = 1, rate: int = 48_000) -> DemoTake:
    """Make the recording of single strokes that comes before the take: same drum, same microphones.

    `seed` and `rate` as in `make_demo`; of the stems only the snare's and the noise sound. Raises
    `UsageError` for others.
    """
    _check(seed, rate)
    events = play_singles(seed)
    desk = Desk(round((events[-1].time + LONGEST_STROKE + AT_END) * rate), rate, seed)
    snare = make_snare(rate, seed)
    strokes = _play_snare(desk, snare, events)
    desk.add_noise()
    return DemoTake(Take(rate, desk.tracks()), desk.stems, strokes, events, snare.fundamental_hz)


def _check(seed: int, rate: int) -> None:
    if seed < 0:
        raise UsageError(f"demo seed {seed}; accepted: 0 or more")
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise UsageError(f"sample rate {rate} Hz; accepted: {LOWEST_RATE} to {HIGHEST_RATE} Hz")


def _play_snare(desk: Desk, snare: Snare, events: Sequence[Event]) -> tuple[Stroke, ...]:
    far = np.zeros(desk.frames)
    strokes = []
    for event in events:
        rng = desk.rng(500, event.number)
        blow = snare.draw(event.level_db, event.kind == "rimshot", rng)
        above, below = snare.play(blow, rng)
        contact = round(event.time * desk.rate)
        samples = _arrivals(contact, blow.radius * SNARE.radius, blow.angle, desk.rate)
        peaks = {}
        for name, side in (("top", above), ("bottom", below)):
            desk.add_close(name, "snare", samples[name], side)
            gain = MICROPHONES[name][0].gain
            peaks[name] = float(20 * np.log10(gain * np.abs(side).max()))
        add(far, contact, SNARE_AT_A_METRE * above)
        through = contact + delay_samples(SHELL_DEPTH, desk.rate)
        add(far, through, SNARE_AT_A_METRE * BELOW_IN_FAR * below)
        velocity = 10 ** (event.level_db / 40)
        ghost = event.kind == "ghost"
        strokes.append(Stroke(contact, samples, velocity, event.level_db, peaks, ghost, event.kind))
    desk.add_far("snare", "snare", far, ("overhead", "room"))
    return tuple(strokes)


def _arrivals(contact: int, radius: float, angle: float, rate: int) -> dict[str, int]:
    """First sample in each microphone of a stroke `radius` metres off the middle of the head.

    The close microphones hear the place struck (the lower one the place below it); for the far
    ones the drum is its middle.
    """
    x, y, z = PLACES["snare"]
    struck: Point = (x + radius * float(np.cos(angle)), y + radius * float(np.sin(angle)), z)
    below: Point = (struck[0], struck[1], z - SHELL_DEPTH)
    paths = {
        "top": distance(struck, MICROPHONES["top"][0].place),
        "bottom": SHELL_DEPTH + distance(below, MICROPHONES["bottom"][0].place),
    }
    for name in ("overhead", "room"):
        paths[name] = min(distance(PLACES["snare"], c.place) for c in MICROPHONES[name])
    return {name: contact + delay_samples(path, rate) for name, path in paths.items()}


def _play_cymbal(desk: Desk, kit: Kit, voice: str, events: Sequence[Event]) -> None:
    """Play one cymbal: each stroke adds to the last, but a hi-hat stroke ends the one before."""
    emission = np.zeros(desk.frames)
    for position, event in enumerate(events):
        if event.kind == "choke":
            continue
        sound = kit.cymbal(voice, event.kind, event.level_db, desk.rng(_VOICE[voice], event.number))
        start = round(event.time * desk.rate)
        until, seconds = _choked(voice, events[position + 1 :])
        if until is not None:
            at = max(0, round(until * desk.rate) - start)
            sound = fade_out(sound, at, round(seconds * desk.rate))
        add(emission, start, sound)
    desk.add_far(voice, voice, emission, tuple(MICROPHONES))


_VOICE = {"hat": 501, "ride": 502, "crash": 503, "kick": 504, "rack": 505, "floor": 506}


def _choked(voice: str, later: Sequence[Event]) -> tuple[float | None, float]:
    """When a stroke on `voice` is damped, if it is, and how long the damping takes (s)."""
    for event in later:
        if voice == "hat":
            return event.time, HAT_CHOKE
        if event.kind == "choke":
            return event.time, HAND_CHOKE
    return None, 0.0


def _play_drum(desk: Desk, kit: Kit, snare: Snare, voice: str, events: Sequence[Event]) -> None:
    """Play kick or a tom, and the snare wires that rattle along: bleed too, in the same stem."""
    source = voice if voice == "kick" else "toms"
    emission = np.zeros(desk.frames)
    away = delay_samples(distance(PLACES[voice], PLACES["snare"]), desk.rate)
    for event in events:
        rng = desk.rng(_VOICE[voice], event.number)
        sound = kit.drum(voice, event.level_db, rng)
        start = round(event.time * desk.rate)
        add(emission, start, sound)
        arrivals = _arrivals(start + away, 0.0, 0.0, desk.rate)
        near = SYMPATHY / distance(PLACES[voice], PLACES["snare"])
        rattles = snare.rattle(near * sound, rng)
        for name, rattle in zip(("top", "bottom"), rattles, strict=True):
            desk.add_close(name, source, arrivals[name], rattle)
    desk.add_far(source, voice, emission, tuple(MICROPHONES))
