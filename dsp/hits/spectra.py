# SPDX-License-Identifier: GPL-3.0-or-later
"""What each candidate brings, band by band; the drum's stroke learned from the loudest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.threads import over_chunks

Values = NDArray[np.float64]
Sound = NDArray[np.float32] | NDArray[np.float64]
Positions = NDArray[np.int64]

LOW_EDGES_HZ = np.arange(80.0, 521.0, 40.0)
HIGH_EDGES_HZ = np.geomspace(520.0, 16000.0, 17)
LONG_S, SHORT_S, TAIL_S = 2048 / 48000, 512 / 48000, 1024 / 48000
GUARD_S = 16 / 48000  # windows start and end this far ahead of the candidate
CHUNK = 128
SURE, SOFT_DB, LEAST_SOFT = 0.7, -10.0, 4

LOW, HIGH = len(LOW_EDGES_HZ) - 1, len(HIGH_EDGES_HZ) - 1
ATTACK = slice(LOW, LOW + HIGH)
TAIL = slice(LOW + HIGH, LOW + 2 * HIGH)
_LOW_HZ = np.sqrt(LOW_EDGES_HZ[1:] * LOW_EDGES_HZ[:-1])
_HIGH_HZ = np.sqrt(HIGH_EDGES_HZ[1:] * HIGH_EDGES_HZ[:-1])
CENTRES_HZ = np.concatenate([_LOW_HZ, _HIGH_HZ, _HIGH_HZ])
# Softer strokes are duller: octaves above 400 Hz, times some dB per octave.
TILT_OCTAVES = np.maximum(np.log2(CENTRES_HZ / 400.0), 0.0)


@dataclass(frozen=True)
class Spectra:
    """Band powers of each candidate, (candidates, bands): after it, and before it.

    Bands are LOW narrow ones over 43 ms, then HIGH wide ones over the first 11 ms, then the
    same over the next 21 ms; the last two share one `before`.
    """

    after: Values
    before: Values

    @property
    def novelty(self) -> Values:
        """Power that each candidate adds, at least a hundredth of what is there."""
        return np.maximum(self.after - self.before, 1e-2 * self.after)

    def pick(self, chosen: Positions) -> Spectra:
        """Those of some candidates."""
        return Spectra(self.after[chosen], self.before[chosen])


def measure_spectra(x: Sound, positions: Positions, rate: int) -> Spectra:
    """Band powers around each position of x (n,), which starts and ends with silence."""
    guard, short = round(GUARD_S * rate), round(SHORT_S * rate)
    spans = (
        (-guard, LONG_S, LOW_EDGES_HZ, False),
        (-guard, SHORT_S, HIGH_EDGES_HZ, False),
        (short - guard, TAIL_S, HIGH_EDGES_HZ, False),
        (-2 * guard - round(LONG_S * rate), LONG_S, LOW_EDGES_HZ, True),
        (-2 * guard - short, SHORT_S, HIGH_EDGES_HZ, True),
    )
    parts = [_powers(x, positions, rate, *span) for span in spans]
    floor = 1e-12 * max(float(part.max(initial=0.0)) for part in parts) + 1e-300
    after = np.hstack(parts[:3]) + floor
    return Spectra(after, np.hstack([parts[3], parts[4], parts[4]]) + floor)


def _powers(
    x: Sound,
    positions: Positions,
    rate: int,
    start: int,
    span_s: float,
    edges: Values,
    rising: bool,
) -> Values:
    """Mean power in bands from a half-Hann window that is highest next to the candidate."""
    count = 2 * round(span_s * rate / 2)
    window = np.hanning(2 * count + 1)[count : 2 * count]
    if rising:
        window = window[::-1]
    window = window / np.sqrt((window**2).sum())
    bins = np.searchsorted(np.fft.rfftfreq(count, 1 / rate), edges)
    out = np.empty((len(positions), len(edges) - 1))

    spans = np.lib.stride_tricks.sliding_window_view(x, count)

    def work(part: slice) -> None:
        frames = spans[np.clip(positions[part] + start, 0, len(spans) - 1)] * window
        inside = np.fft.rfft(frames, axis=1)[:, bins[0] : bins[-1]]
        power = inside.real**2 + inside.imag**2
        out[part] = np.add.reduceat(power, bins[:-1] - bins[0], axis=1)

    over_chunks(work, len(positions), CHUNK)
    return out / np.diff(bins)


@dataclass(frozen=True)
class DrumStroke:
    """A typical full stroke of the drum: band powers (bands,), and the candidates it is from.

    `soft` is the spectrum of its soft strokes, brought to the level of a full one, where enough
    of them were sure.
    """

    power: Values
    members: Positions
    soft: Values | None = None

    def reference(self, soft: Values) -> Values:
        """Spectrum of a full stroke, or of a soft one where `soft` (n,) is not 0; (n, bands)."""
        other = self.power if self.soft is None else self.soft
        return np.where(soft[:, None] > 0, other, self.power)

    def predicted(self, explained: Values) -> Values:
        """Band powers of strokes by their level, tilt and kind as `explain` found them."""
        level, tilt, soft = explained[:, 4:5], explained[:, 5:6], explained[:, 10]
        return self.reference(soft) * 10 ** ((level - tilt * TILT_OCTAVES) / 10)


def learn_stroke(spectra: Spectra, novelty_db: Values, level_db: Values) -> DrumStroke | None:
    """The stroke that the loudest candidates share, or None where there is none.

    Among candidates that rise clearly and lie within 12 dB of the loudest, the largest group of
    like spectra (mean difference under 4 dB), counted by level, is the drum.
    """
    clear = np.flatnonzero(novelty_db > 6)
    if len(clear) == 0:
        return None
    clear = clear[np.argsort(-level_db[clear], kind="stable")][:200]
    clear = clear[level_db[clear] > level_db[clear[0]] - 12]
    novelty = spectra.novelty[clear]
    shape = 10 * np.log10(novelty)
    shape -= shape.mean(axis=1, keepdims=True)
    near = np.array([np.abs(shape - one).mean(axis=1) < 4.0 for one in shape])
    weight = 10 ** ((level_db[clear] - level_db[clear[0]]) / 20)
    chosen = near[np.argmax((near * weight).sum(axis=1) * weight)]
    members = novelty[chosen]
    total = members.sum(axis=1, keepdims=True)
    mean = np.exp(np.log(members / total).mean(axis=0))
    return DrumStroke(mean / mean.sum() * np.quantile(total, 0.75), clear[chosen])


def learn_soft_stroke(
    spectra: Spectra, drum: DrumStroke, explained: Values, certain: Values
) -> DrumStroke:
    """The drum with the spectrum of its soft strokes, if at least four candidates are surely such.

    Soft strokes differ from drum to drum, in more than brightness: wires answer softly where the
    stick does not.
    """
    chosen = (certain > SURE) & (explained[:, 4] <= SOFT_DB)
    if chosen.sum() < LEAST_SOFT:
        return drum
    level = 10 ** (explained[chosen, 4:5] / 10)
    shape = np.exp(np.median(np.log(spectra.novelty[chosen] / level), axis=0))
    return DrumStroke(drum.power, drum.members, shape)
