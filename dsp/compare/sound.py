# SPDX-License-Identifier: GPL-3.0-or-later
"""What can be listened to: each track, and the sum of all."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from dsp.compare.variants import SUM
from dsp.take import Samples

MOST_CHANNELS = 2


def listenable(samples: Samples) -> Samples:
    """Samples (frames, channels) as they are in one or two channels; more become their mean."""
    return samples if samples.shape[1] <= MOST_CHANNELS else samples.mean(axis=1, keepdims=True)


def summed(tracks: list[Samples]) -> Samples:
    """All tracks added, as the faders of a desk at 0 dB would; mono ones go to both sides."""
    total = np.zeros((len(tracks[0]), max(track.shape[1] for track in tracks)))
    for track in tracks:
        total += track
    return total


def sounds_of(
    cuts: Mapping[str, tuple[Samples, ...]], parts: Callable[[int], list[Samples]]
) -> dict[str, tuple[Samples, ...]]:
    """Every sound in every variant, from the stretch of each track in every variant.

    `parts(number)` are the stretches that make up the sum of a variant.
    """
    sounds = {track: tuple(map(listenable, variants)) for track, variants in cuts.items()}
    if len(sounds) > 1:
        count = len(next(iter(cuts.values())))
        sounds[SUM] = tuple(summed(list(map(listenable, parts(n)))) for n in range(count))
    return sounds


def gained(samples: Samples, gain_db: float) -> Samples:
    """Samples with a gain; a new array."""
    return samples * 10 ** (gain_db / 20)
