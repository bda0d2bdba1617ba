# SPDX-License-Identifier: GPL-3.0-or-later
"""Make all variants of one sound equally loud, and keep all of them under full scale.

Decisions:

- The raw sound sets the level; every other variant gets one gain for the whole stretch.
- By gated loudness, unless the gates leave less than two seconds of any variant: then by the
  level over the strokes, and where there are none, by the level over the whole stretch. One
  sound is matched by one method, so that its variants stay comparable.
- Where a true peak would come above the ceiling, everything is lowered by the same amount, all
  sounds and variants alike, so that nothing is matched anew. The ceiling leaves room for what a
  meter at four times the rate can miss (up to 0.6 dB; BS.1770, attachment to Annex 2).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from dsp.compare.loudness import (
    BLOCK_S,
    STEP_S,
    level_db,
    loudness,
    stroke_level_db,
    true_peak_dbtp,
)
from dsp.hits.hitmap import HitMap
from dsp.take import Samples

Method = Literal["loudness", "strokes", "stretch"]

CEILING_DBTP = -1.0
LEAST_S = 2.0  # what gating must leave of the sound
LEAST_BLOCKS = 1 + round((LEAST_S - BLOCK_S) / STEP_S)
CLOSE_DB = 0.01
MOST_ROUNDS = 6

UNITS: dict[Method, str] = {"loudness": "LUFS", "strokes": "dB", "stretch": "dB"}
SAID: dict[Method, str] = {
    "loudness": "gated loudness (ITU-R BS.1770)",
    "strokes": "level over the strokes, because gating leaves less than two seconds of it",
    "stretch": "level over the whole stretch, because there are no strokes in it and gating "
    "leaves less than two seconds of it",
}


@dataclass(frozen=True)
class Reading:
    """One sound of one variant as printed: level by its sound's method, loudness, true peak.

    None where the sound is silent. `gain_db` is what matching gives it, lowering included.
    """

    level: float | None
    lufs: float | None
    true_peak_dbtp: float | None
    gain_db: float


@dataclass(frozen=True)
class Match:
    """How the variants of each sound were matched.

    `methods` by sound; `readings` by sound, then one per variant in their order; `lowered_db`,
    0 or less, is what all gains hold in common.
    """

    methods: Mapping[str, Method]
    readings: Mapping[str, tuple[Reading, ...]]
    lowered_db: float

    @property
    def text(self) -> str:
        """The same for people, in one paragraph."""
        parts = [
            f"{', '.join(s for s, each in self.methods.items() if each == method)}: by {said}"
            for method, said in SAID.items()
            if method in self.methods.values()
        ]
        lowered = (
            f"Everything was lowered by {-self.lowered_db:.1f} dB, to keep true peaks under "
            f"{CEILING_DBTP:g} dBTP."
            if self.lowered_db
            else "Nothing had to be lowered."
        )
        return f"Matched to the raw sound over this stretch. {'; '.join(parts)}. {lowered}"


def match(
    sounds: Mapping[str, tuple[Samples, ...]], hits: Mapping[str, HitMap], start: int
) -> Match:
    """Match the variants of each sound.

    `sounds` maps a sound to its stretch in each variant, raw first, float64 (frames, channels);
    `hits` to the strokes it is measured at; `start` is the stretch's first sample in the take.
    """
    methods, readings = {}, {}
    for sound, variants in sounds.items():
        rate = hits[sound].rate
        read = [loudness(samples, rate) for samples in variants]
        levels: list[float | None] = [each.lufs for each in read]
        method: Method = "loudness"
        if min(each.blocks for each in read) < LEAST_BLOCKS:
            method = "strokes"
            levels = [stroke_level_db(samples, hits[sound], start) for samples in variants]
            if all(level is None for level in levels):
                method, levels = "stretch", [level_db(samples) for samples in variants]
        target = next((level for level in levels if level is not None), 0.0)
        methods[sound] = method
        readings[sound] = [
            Reading(level, each.lufs, true_peak_dbtp(samples), gain_db=_less(target, level))
            for level, each, samples in zip(levels, read, variants, strict=True)
        ]
    lowered = min(0.0, CEILING_DBTP - _highest(readings))
    settled = {
        sound: _settled(sounds[sound], each, methods[sound], hits[sound].rate, lowered)
        for sound, each in readings.items()
    }
    return Match(methods, settled, lowered)


def _less(target: float, level: float | None) -> float:
    return 0.0 if level is None else target - level


def _highest(readings: Mapping[str, list[Reading]]) -> float:
    """Highest true peak of all matched sounds."""
    peaks = [
        each.true_peak_dbtp + each.gain_db
        for several in readings.values()
        for each in several
        if each.true_peak_dbtp is not None
    ]
    return max(peaks, default=CEILING_DBTP)


def _settled(
    variants: tuple[Samples, ...],
    readings: list[Reading],
    method: Method,
    rate: int,
    lowered_db: float,
) -> tuple[Reading, ...]:
    """The readings with the gains that hold where the absolute gate would tell levels apart.

    A gain moves blocks over the gate at −70 LUFS; where that changes the result, the gain is
    corrected, downward only, so that no peak comes higher than was allowed for.
    """
    gains = [each.gain_db + lowered_db for each in readings]
    if method == "loudness":
        _equalise(
            lambda index, gain: loudness(variants[index] * 10 ** (gain / 20), rate).lufs, gains
        )
    return tuple(
        Reading(each.level, each.lufs, each.true_peak_dbtp, gain)
        for each, gain in zip(readings, gains, strict=True)
    )


def _equalise(measured: Callable[[int, float], float | None], gains: list[float]) -> None:
    """Lower `gains` (dB) until all of `measured(index, gain)` agree with the lowest."""
    for _ in range(MOST_ROUNDS):
        levels = [measured(index, gain) for index, gain in enumerate(gains)]
        known = [level for level in levels if level is not None]
        if len(known) < 2 or max(known) - min(known) <= CLOSE_DB:
            return
        for index, level in enumerate(levels):
            if level is not None:
                gains[index] -= level - min(known)
