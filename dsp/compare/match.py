# SPDX-License-Identifier: GPL-3.0-or-later
"""Make all variants of one sound equally loud, and keep all of them under full scale.

Decisions:

- The raw sound sets the level; every other variant gets one gain for the whole stretch.
- By gated loudness, unless the gates leave less than two seconds of any variant: then by the
  level over the strokes, and where there are none, by the level over the whole stretch. One
  sound is matched by one method, so that its variants stay comparable.
- Where a true peak would come above the ceiling, everything is lowered by the same amount, all
  sounds and variants alike, so that nothing is matched anew. The ceiling leaves room for
  converters and meters, which do not agree about what lies near half the rate.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from dsp.compare.loudness import (
    BLOCK_S,
    STEP_S,
    Loudness,
    level_db,
    loudness,
    stroke_level_db,
)
from dsp.hits.hitmap import HitMap
from dsp.take import Samples
from dsp.true_peak import true_peak_dbtp

Method = Literal["loudness", "strokes", "stretch"]

CEILING_DBTP = -1.0
LEAST_S = 2.0  # what gating must leave of the sound
LEAST_BLOCKS = 1 + round((LEAST_S - BLOCK_S) / STEP_S)
SILENT_DB = 120.0  # what lies so far below the raw sound is no sound of its own
CLOSE_DB = 0.01
MOST_ROUNDS = 6

SAID: dict[Method, str] = {
    "loudness": "gated loudness (ITU-R BS.1770)",
    "strokes": "level over the strokes, because gating leaves less than two seconds of it",
    "stretch": "level over the whole stretch, because there are no strokes in it and gating "
    "leaves less than two seconds of it",
}


@dataclass(frozen=True)
class Reading:
    """One sound of one variant as printed: loudness and true peak, None where there is none.

    `gain_db` is what matching gives it, lowering included; `silent` where there was nothing to
    match it by.
    """

    lufs: float | None
    true_peak_dbtp: float | None
    gain_db: float
    silent: bool


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
            f"Everything was lowered by {-self.lowered_db:.2f} dB, to keep true peaks under "
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
    methods: dict[str, Method] = {}
    readings: dict[str, list[Reading]] = {}
    measured: dict[str, list[Loudness]] = {}
    for sound, variants in sounds.items():
        measured[sound] = [loudness(samples, hits[sound].rate) for samples in variants]
        methods[sound], gains = _gains(variants, measured[sound], hits[sound], start)
        readings[sound] = [
            Reading(
                lufs=loud.lufs,
                true_peak_dbtp=true_peak_dbtp(samples),
                gain_db=0.0 if gain is None else gain,
                silent=gain is None,
            )
            for samples, loud, gain in zip(variants, measured[sound], gains, strict=True)
        ]
    lowered = min(0.0, CEILING_DBTP - _highest(readings))
    settled = {
        sound: _settled(measured[sound], each, methods[sound], lowered)
        for sound, each in readings.items()
    }
    return Match(methods, settled, lowered)


def _gains(
    variants: tuple[Samples, ...], measured: list[Loudness], hits: HitMap, start: int
) -> tuple[Method, list[float | None]]:
    """What the variants of a sound are matched by, and the gain of each, None where it is silent.

    Gating has an absolute threshold: variants are brought to one RMS level before they meet it, so
    that one that is only softer does not lose more of itself than the others.
    """
    rms = [level_db(samples) for samples in variants]
    first = next((level for level in rms if level is not None), 0.0)
    rms = [None if level is None or level < first - SILENT_DB else level for level in rms]
    near = [_less(first, level) for level in rms]
    read = [
        loud.with_gain(gain) for loud, gain in zip(measured, near, strict=True) if gain is not None
    ]
    method: Method = "loudness"
    levels: list[float | None]
    if read and min(each.blocks for each in read) >= LEAST_BLOCKS:
        found = iter(read)
        levels = [None if gain is None else _less(next(found).lufs, gain) for gain in near]
    else:
        method = "strokes"
        levels = [
            None if level is None else stroke_level_db(samples, hits, start)
            for level, samples in zip(rms, variants, strict=True)
        ]
        if all(level is None for level in levels):
            method, levels = "stretch", rms
    target = next((level for level in levels if level is not None), 0.0)
    return method, [_less(target, level) for level in levels]


def _less(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one - other


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
    measured: list[Loudness], readings: list[Reading], method: Method, lowered_db: float
) -> tuple[Reading, ...]:
    """The readings with the gains that hold where the absolute gate would tell levels apart.

    A gain moves blocks over the gate at −70 LUFS; where that changes the result, the gain is
    corrected, downward only, so that no peak comes higher than was allowed for.
    """
    gains = [each.gain_db + lowered_db for each in readings]
    if method == "loudness":
        _equalise(lambda index, gain: measured[index].with_gain(gain).lufs, gains)
    return tuple(replace(each, gain_db=gain) for each, gain in zip(readings, gains, strict=True))


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
