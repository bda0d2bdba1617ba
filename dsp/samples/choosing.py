# SPDX-License-Identifier: GPL-3.0-or-later
"""The best alternates of a stage: typical of it, and neither the same nor strangers to each other.

Each stroke gets a cost in dB: how far its level, its spectrum and its decay lie from the stage's
median, and how far it rises above its like in the tail (half of what would be a fault is not
nothing). A pair costs more where it is nearly one and the same sound, or where its two spectra are
further apart than two strokes of one hand should be. The group that costs least is chosen, by
trying all groups of the most typical strokes. The weights are by judgement (no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from dsp.take import Samples

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

ATTACK_S, BODY_S, SOUND_S = 0.012, 0.060, 0.050
EDGES_HZ = np.geomspace(90.0, 16_000.0, 17)
TRIED = 12  # most typical strokes of a stage that groups are made of
LEVEL_WEIGHT, DECAY_WEIGHT, COMPANY_WEIGHT = 1.0, 0.5, 0.5
SAME, SAME_COST = 0.995, 100.0  # correlation of what is one sound played twice; common practice
NEAR, NEAR_COST = 0.97, 100.0  # cost per 1 of correlation beyond
APART_DB, APART_COST = 4.0, 1.0


@dataclass(frozen=True)
class Character:
    """What strokes are compared by.

    `spectrum` (strokes, 2 · 16): attack and body in dB against the stroke's level; `decay`
    (strokes,): dB that the second 60 ms lie under the first; `sound` (strokes, n): the first 50 ms
    at unit energy.
    """

    spectrum: Values
    decay: Values
    sound: Values


def characterise(samples: Samples, onset: Positions, rate: int) -> Character:
    """Measure strokes of samples (frames, channels); channels are averaged."""
    attack, body, sound = (round(s * rate) for s in (ATTACK_S, BODY_S, SOUND_S))
    mono = samples.mean(axis=1)
    padded = np.concatenate([mono, np.zeros(2 * body)])
    early = np.stack([padded[at : at + body] for at in onset])
    late = np.stack([padded[at + body : at + 2 * body] for at in onset])
    spectra = [_bands_db(early[:, :attack], rate), _bands_db(early, rate)]
    energy = 10 * np.log10(np.square(early).sum(axis=1) + 1e-20)
    decay = energy - 10 * np.log10(np.square(late).sum(axis=1) + 1e-20)
    heard = early[:, :sound]
    unit = heard / np.sqrt(np.square(heard).sum(axis=1, keepdims=True) + 1e-20)
    return Character(np.hstack(spectra) - energy[:, None], decay, unit)


def _bands_db(parts: Values, rate: int) -> Values:
    """Energy in bands of parts (strokes, n), dB."""
    size = 1 << (max(parts.shape[1], rate // 40) - 1).bit_length()
    window = np.hanning(2 * parts.shape[1])[parts.shape[1] :]
    power = np.abs(np.fft.rfft(parts * window, size, axis=1)) ** 2 / size
    bins = np.searchsorted(np.fft.rfftfreq(size, 1 / rate), EDGES_HZ)
    return np.asarray(10 * np.log10(np.add.reduceat(power, bins[:-1], axis=1) + 1e-20))


def choose_alternates(
    members: Positions, level_dbfs: Values, company_db: Values, character: Character, count: int
) -> Positions:
    """The `count` best of a stage's `members` (indices of strokes), in order of time."""
    cost = _own_costs(members, level_dbfs, company_db, character)
    tried = members[np.sort(np.argsort(cost, kind="stable")[: max(TRIED, count)])]
    own = dict(zip(members.tolist(), cost.tolist(), strict=True))
    pairs = {
        (a, b): _pair_cost(character, a, b) + float(abs(level_dbfs[a] - level_dbfs[b]))
        for a, b in combinations(sorted(tried.tolist()), 2)
    }

    def total(group: Sequence[int]) -> float:
        together = sum(pairs[a, b] for a, b in combinations(group, 2))
        return float(sum(own[i] for i in group) + together)

    return np.array(min(combinations(sorted(tried.tolist()), count), key=total), dtype=np.int64)


def _own_costs(
    members: Positions, level_dbfs: Values, company_db: Values, character: Character
) -> Values:
    spectrum = character.spectrum[members]
    strange = np.abs(spectrum - np.median(spectrum, axis=0)).mean(axis=1)
    level = np.abs(level_dbfs[members] - np.median(level_dbfs[members]))
    decay = np.abs(character.decay[members] - np.median(character.decay[members]))
    company = COMPANY_WEIGHT * company_db[members]
    return np.asarray(strange + LEVEL_WEIGHT * level + DECAY_WEIGHT * decay + company)


def _pair_cost(character: Character, a: int, b: int) -> float:
    likeness = float(np.abs(character.sound[a] @ character.sound[b]))
    apart = float(np.abs(character.spectrum[a] - character.spectrum[b]).mean())
    cost = SAME_COST if likeness > SAME else 0.0
    cost += NEAR_COST * max(likeness - NEAR, 0.0)
    return cost + APART_COST * max(apart - APART_DB, 0.0)
