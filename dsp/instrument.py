# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether strokes plainly are no snare drum's.

The stroke finder takes the loudest like events of a track for the drum, whatever they are. Toms are
tuned like snares, so only what is sure is said: a head whose power lies under 110 Hz, in nearly all
strokes, is a kick's (common practice, no source: snares are tuned to 150 Hz and more, the lowest
toms to 80). Kicks that play with a snare, or are loud in a room microphone, are not meant.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from dsp.hits.hitmap import HitMap
from dsp.take import Samples

LOWEST_HZ, SNARE_HZ = 20.0, 110.0
SKIP_S, WINDOW_S = 0.012, 0.085  # past the attack, in which any drum has some of everything
MOST_STROKES, FEWEST_STROKES = 64, 4
NEARLY_ALL = 0.9
PLAINLY_DB = 10.0  # a room microphone of a take with a snare, in which kicks pass for it: up to 6


def with_doubts(hits: HitMap, samples: Samples) -> HitMap:
    """The hit map of samples (frames, channels), with a note where it is no snare drum's."""
    low = lows_db(hits, samples)
    if len(low) < FEWEST_STROKES:
        return hits
    sure = float(np.quantile(low, 1 - NEARLY_ALL))
    if sure < PLAINLY_DB:
        return hits
    note = (
        "this sounds like a kick, not like a snare: nearly all strokes are "
        f"{math.floor(sure)} dB or more louder below {SNARE_HZ:.0f} Hz than above"
    )
    return replace(hits, notes=(*hits.notes, note))


def lows_db(hits: HitMap, samples: Samples) -> NDArray[np.float64]:
    """By how many dB strokes are louder below 110 Hz than above, past their attack.

    One value for each of up to 64 strokes, spread over the take; those that end with it, or are
    silent, are left out.
    """
    skip, count = round(SKIP_S * hits.rate), round(WINDOW_S * hits.rate)
    heard = hits.onset[hits.onset + skip + count <= len(samples)]
    places = np.linspace(0, len(heard) - 1, min(len(heard), MOST_STROKES)).astype(np.int64)
    hz = np.fft.rfftfreq(count, 1 / hits.rate)
    low, rest = (hz >= LOWEST_HZ) & (hz < SNARE_HZ), hz >= SNARE_HZ
    window = np.hanning(count + 2)[1:-1]
    found = []
    for start in heard[places] + skip:
        sound = samples[start : start + count].mean(axis=1) * window
        power = np.abs(np.fft.rfft(sound)) ** 2
        below, above = power[low].sum(), power[rest].sum()
        if below > 0 and above > 0:
            found.append(10 * np.log10(below / above))
    return np.array(found)
