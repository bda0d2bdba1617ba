# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a layered stroke goes so that it adds to the real one.

Decisions:

- Delay is a whole number of samples within `reach` of the stroke's own time, chosen on the close
  track: where sample and track correlate best over the attack, among those delays at which the sum
  of both is not lower at the fundamental than the louder of them. Where no delay within reach does
  that, the one with the highest sum at the fundamental is taken. Little correlation is given up
  for it: the attack must stay one.
- A stroke that sounds in the tails of earlier ones is judged with them: what the track holds there
  against what the layer holds. One that brings most of the fundamental itself must add on its own
  as well, where a delay does both.
- Delays near the stroke's own time are preferred a little; where nothing correlates (a ghost note
  under a crash), the stroke stays at its own time.
- Polarity is the set's, not a stroke's: it is the one that correlates better over all strokes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Sound = NDArray[np.float64]

ATTACK_S, AHEAD_S, MARGIN_S = 0.004, 0.001, 0.006
BAND_HZ = (150.0, 300.0, 5000.0, 9000.0)  # rises, full from, full to, gone: no kick, few cymbals
NEARER = 0.15  # how much less correlation is enough at the stroke's own time than at full reach
LEAST = 0.5  # noise correlates as much at one of two hundred delays: it says nothing
FUNDAMENTAL_S, LEAST_FUNDAMENTAL_S = 0.080, 0.020
ADDS_DB = 0.1  # kept in hand: the track holds bleed too
WORSE = 0.3  # how much correlation may be given up for the fundamental
WORSE_IN_TAIL = 0.15  # the same where most of that is an earlier stroke's
CLEARLY = 1.4  # 3 dB


@dataclass(frozen=True)
class Matched:
    """How well a sample fits the track at each delay from −reach to reach: (2·reach + 1,)."""

    correlation: Sound

    @property
    def reach(self) -> int:
        """Samples."""
        return len(self.correlation) // 2

    def at(self, delay: int) -> float:
        """The correlation at a delay in samples."""
        return float(self.correlation[delay + self.reach])


def match(track: Sound, at: int, sample: Sound, onset: int, reach: int, rate: int) -> Matched:
    """Correlate the attack of `sample` (n,), which begins at its `onset`, with the track near `at`.

    Both are one channel. Normalised: 1 where they are the same but for a gain.
    """
    ahead, span = round(AHEAD_S * rate), round(ATTACK_S * rate)
    margin = round(MARGIN_S * rate)
    heard = _banded(cut(track, at - ahead - reach - margin, span + 2 * (reach + margin)), rate)
    played = _banded(cut(sample, onset - ahead - margin, span + 2 * margin), rate)
    heard = heard[margin : len(heard) - margin]
    played = played[margin : len(played) - margin]
    products = np.correlate(heard, played, "valid")
    sums = np.concatenate([[0.0], np.cumsum(heard * heard)])
    energy = np.maximum(sums[span:] - sums[:-span], 0.0) * float(played @ played)
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = np.where(energy > 0, products / np.sqrt(energy), 0.0)
    return Matched(np.clip(correlation, -1.0, 1.0))


def cut(sound: Sound, start: int, count: int) -> Sound:
    """Samples start … start + count of sound (n,); silence beyond its ends."""
    part = np.zeros(count)
    low, high = max(start, 0), min(start + count, len(sound))
    if high > low:
        part[low - start : high - start] = sound[low:high]
    return part


def _banded(part: Sound, rate: int) -> Sound:
    """The part with only what tells attacks of the drum apart, without phase shift."""
    hz = np.fft.rfftfreq(len(part), 1 / rate)
    start, full, last, gone = BAND_HZ
    rise = np.clip((hz - start) / (full - start), 0, 1)
    fall = np.clip((gone - hz) / (gone - last), 0, 1)
    return np.asarray(np.fft.irfft(np.fft.rfft(part) * rise * fall, len(part)))


def common_polarity(matches: list[Matched]) -> int:
    """1 or −1: with which of the two samples and track correlate better, over all strokes."""
    upright = sum(float(match.correlation.max()) for match in matches)
    inverted = sum(float(-match.correlation.min()) for match in matches)
    return -1 if inverted > upright else 1


def fundamental_at(sound: Sound, at: int, stop: int, hz: float, rate: int) -> complex:
    """Complex amplitude at `hz` of sound (n,) from `at` on, heard until `stop`.

    The window falls from its start by half a Hann over 80 ms, or until `stop`, 20 ms at least. The
    phase is that at `at`.
    """
    window = _falling(at, stop, rate)
    return complex((cut(sound, at, len(window)) * window * _turning(len(window), hz, rate)).sum())


def is_its_own(sound: Sound, at: int, stop: int, hz: float, rate: int) -> bool:
    """Whether the stroke at `at` brings most of the fundamental that sounds after it.

    A ghost note in the tail of a full stroke does not: what sounds there is the tail.
    """
    window = _falling(at, stop, rate)
    turning = _turning(len(window), hz, rate)
    before = abs((cut(sound, at - len(window), len(window)) * window[::-1] * turning).sum())
    return bool(abs(fundamental_at(sound, at, stop, hz, rate)) > CLEARLY * before)


def _falling(at: int, stop: int, rate: int) -> Sound:
    most, least = round(FUNDAMENTAL_S * rate), round(LEAST_FUNDAMENTAL_S * rate)
    span = min(max(stop - at, least), most)
    return np.asarray(np.hanning(2 * span + 1)[span : 2 * span])


def _turning(count: int, hz: float, rate: int) -> NDArray[np.complex128]:
    return np.asarray(np.exp(-2j * np.pi * hz * np.arange(count) / rate))


def sum_gain_db(one: complex, other: complex) -> float:
    """How much louder the sum of two amplitudes is than the louder of them, dB."""
    louder = max(abs(one), abs(other))
    if louder == 0.0:
        return 0.0
    return 20 * math.log10(max(abs(one + other) / louder, 1e-15))


def fundamental_by_delay(
    sound: Sound, onset: int, span: int, reach: int, hz: float, rate: int
) -> NDArray[np.complex128]:
    """`fundamental_at` of a sample that begins at its `onset`, at each delay from −reach to reach.

    The window stays where the real stroke is, and is heard for `span` samples.
    """
    window = _falling(0, span, rate)
    part = cut(sound, onset - reach, len(window) + 2 * reach)
    turning = window * _turning(len(window), hz, rate)
    return np.asarray(np.correlate(part.astype(complex), turning.conj(), "valid")[::-1])


@dataclass(frozen=True)
class AtFundamental:
    """A stroke at the fundamental, in complex amplitudes.

    `real` is what the track holds; `sample` (delays,) the layered stroke at each delay, at its
    level and polarity; `tail` what the layer holds of earlier strokes. `own` says whether the
    stroke brings most of what sounds there (`is_its_own`).
    """

    real: complex
    sample: NDArray[np.complex128]
    tail: complex = 0.0
    own: bool = True

    def gains_db(self) -> Sound:
        """What track and layer together gain over the louder of the two at each delay, dB."""
        return np.array([sum_gain_db(self.real, self.tail + each) for each in self.sample])

    def adds(self, delay: int) -> bool:
        """Whether the sum is not lower than the louder of the two at a delay in samples."""
        each = self.sample[delay + len(self.sample) // 2]
        return sum_gain_db(self.real, self.tail + each) >= ADDS_DB

    def gains_alone_db(self) -> Sound:
        """The same without the tails of earlier layered strokes."""
        return np.array([sum_gain_db(self.real, each) for each in self.sample])


def choose_delay(matched: Matched, polarity: int, tone: AtFundamental | None) -> int:
    """The delay in samples at which the sample is laid under the stroke."""
    reach = matched.reach
    delays = np.arange(-reach, reach + 1)
    worth = polarity * matched.correlation
    if worth.max() < LEAST:
        worth = np.zeros(len(worth))
    worth = worth - NEARER * np.abs(delays) / max(reach, 1)
    best = int(delays[np.argmax(worth)])
    if tone is None:
        return best
    gains = tone.gains_db()
    open_to = worth >= worth.max() - (WORSE if tone.own else WORSE_IN_TAIL)
    adds = open_to & (gains >= ADDS_DB)
    if tone.own and (both := adds & (tone.gains_alone_db() >= ADDS_DB)).any():
        adds = both
    if adds.any():
        return int(delays[np.argmax(np.where(adds, worth, -np.inf))])
    # In a tail that nothing mends, the attack is all that counts.
    return int(delays[np.argmax(np.where(open_to, gains, -np.inf))]) if tone.own else best
