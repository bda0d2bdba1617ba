# SPDX-License-Identifier: GPL-3.0-or-later
"""Lay a sample set under real strokes: one stem for each of its microphones.

Decisions:

- A velocity plays at the set's own level for it (`SampleSet.level_at`); stages by velocity,
  alternates in turn.
- All microphones of a stroke move by the same delay and have the same polarity and gain, so they
  keep their own delays and levels.
- A drum that is struck again rings on: tails overlap and add, as microphones hear them. Only where
  the layer's tails ring against the real drum under a later stroke, and no delay of that stroke
  mends it without spoiling its attack, they fade within 30 ms from that stroke on, and on the close
  stem alone: overheads and
  room hear the drum from further away, and their tails are their sound.
- Stems are as long as the take; what would sound beyond its ends is cut off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dsp.samples.placing import (
    AtFundamental,
    Matched,
    choose_delay,
    common_polarity,
    fundamental_at,
    fundamental_by_delay,
    is_its_own,
    match,
)
from dsp.samples.sample_set import Sample, SampleSet
from dsp.samples.tails import Ringing, faded, tail_at
from dsp.samples.turns import Stroke, Turn, in_turn
from dsp.take import Samples

Sound = NDArray[np.float64]
Reader = Callable[[Sample, str], Samples]

SPOILT = 0.1  # correlation of attacks that is not given up for an earlier tail


@dataclass(frozen=True)
class Placed:
    """A stroke as it is layered.

    `delay` in samples re the stroke's own time, positive is later; `correlation` of sample and
    track there, 1 where they are alike, of the polarity that was chosen. `yields_at` is the sample
    of the take from which on it fades on the close stem, None where it rings on.
    """

    turn: Turn
    delay: int
    correlation: float
    yields_at: int | None = None

    @property
    def start(self) -> int:
        """Where the first sample of its files falls; may be negative."""
        return self.turn.stroke.at + self.delay - self.turn.sample.onset


@dataclass(frozen=True)
class Plan:
    """All strokes as they are layered, in order of time.

    `polarity` 1 or −1; `close` the set's close microphone; `rate` in hertz.
    """

    placed: tuple[Placed, ...]
    polarity: int
    close: str
    rate: int


def plan_layer(
    samples: SampleSet,
    strokes: Sequence[Stroke],
    close: Samples,
    reach: int,
    fundamental_hz: float | None,
    read: Reader,
) -> Plan:
    """Place every stroke on the real close track.

    `strokes` in order of time; `close` (frames, channels) at the set's rate; `reach` in samples;
    `read` gives a file of the set. Without a fundamental, correlation alone decides.
    """
    turns = in_turn(samples, strokes)
    track, rate = _one_channel(close), samples.rate
    first = samples.microphones[0]
    sounds: dict[str, Sound] = {}
    for turn in turns:
        name = turn.sample.files[first]
        if name not in sounds:
            sounds[name] = _one_channel(read(turn.sample, first))
    played = [sounds[turn.sample.files[first]] for turn in turns]
    matches = [
        match(track, turn.stroke.at, sound, turn.sample.onset, reach, rate)
        for turn, sound in zip(turns, played, strict=True)
    ]
    polarity = common_polarity(matches)
    placed = _place(turns, played, matches, polarity, track, fundamental_hz, rate)
    return Plan(placed, polarity, first, rate)


def _place(
    turns: Sequence[Turn],
    played: Sequence[Sound],
    matches: Sequence[Matched],
    polarity: int,
    track: Sound,
    hz: float | None,
    rate: int,
) -> tuple[Placed, ...]:
    ats = [turn.stroke.at for turn in turns]
    ringing: list[Ringing] = []
    placed: list[Placed] = []
    for number, (turn, sound, matched) in enumerate(zip(turns, played, matches, strict=True)):
        at, stop = ats[number], [*ats, len(track)][number + 1]
        gain = polarity * 10 ** (turn.gain_db / 20)
        tone = None
        if hz is not None:
            onset, reach = turn.sample.onset, matched.reach
            tone = AtFundamental(
                real=fundamental_at(track, at, stop, hz, rate),
                sample=gain * fundamental_by_delay(sound, onset, stop - at, reach, hz, rate),
                tail=tail_at(ringing, at, stop, hz, rate),
                own=is_its_own(track, at, stop, hz, rate),
            )
        delay = choose_delay(matched, polarity, tone)
        if hz is not None and tone is not None and ringing:
            quiet = [early.yielding(at, rate) for early in ringing]
            mended = replace(tone, tail=tail_at(quiet, at, stop, hz, rate))
            other = choose_delay(matched, polarity, mended)
            nearer = polarity * (matched.at(other) - matched.at(delay)) > SPOILT
            if mended.adds(other) and (nearer or not tone.adds(delay)):
                delay, ringing = other, quiet
                for early in quiet:
                    placed[early.number] = replace(placed[early.number], yields_at=at)
        correlation = polarity * matched.at(delay)
        placed.append(Placed(turn, delay, correlation))
        ringing = [early for early in ringing if early.end > at]
        ringing.append(Ringing(number, placed[-1].start, gain * sound))
    return tuple(placed)


def render_stem(plan: Plan, microphone: str, frames: int, read: Reader) -> Samples:
    """The stem of one of the set's microphones, (frames, channels of its files)."""
    sounds: dict[str, Samples] = {}
    stem: Samples | None = None
    for placed in plan.placed:
        sample = placed.turn.sample
        name = sample.files[microphone]
        if name not in sounds:
            sounds[name] = read(sample, microphone)
        if stem is None:
            stem = np.zeros((frames, sounds[name].shape[1]))
        sound = sounds[name]
        if placed.yields_at is not None and microphone == plan.close:
            sound = faded(sound, placed.yields_at - placed.start, plan.rate)
        add(stem, sound, placed.start, plan.polarity * 10 ** (placed.turn.gain_db / 20))
    return np.zeros((frames, 1)) if stem is None else stem


def add(stem: Samples, sound: Samples, start: int, gain: float) -> None:
    """Add sound (n, channels) to the stem from sample `start` on, in place; ends are cut off."""
    low, high = max(start, 0), min(start + len(sound), len(stem))
    if high > low:
        stem[low:high] += gain * sound[low - start : high - start]


def _one_channel(samples: Samples) -> Sound:
    return samples[:, 0] if samples.shape[1] == 1 else np.asarray(samples.mean(axis=1))
