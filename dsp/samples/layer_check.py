# SPDX-License-Identifier: GPL-3.0-or-later
"""How well a layer follows: each layered stroke against the real one, the worst named.

The real stroke's level is that of `dsp.samples.stroke_levels`, on the close track; the layered one
is known alone, so its level is simply measured, on its file (`dsp.samples.level`). At the
fundamental the sum is compared with the louder of the two, over 80 ms or until the next stroke; a
stroke that lies in the tail of an earlier one is marked, since there the tail is what is compared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.samples.layering import Plan, Reader
from dsp.samples.level import stroke_level_dbfs
from dsp.samples.placing import fundamental_at, is_its_own, sum_gain_db
from dsp.samples.stroke_levels import stroke_levels_dbfs
from dsp.take import Samples

Values = NDArray[np.float64]

MOST_WORST = 8
APART_DB, ALIKE, ADDS_DB = 1.5, 0.5, 0.0
SILENT = 0.01  # of the real stroke: a layer faded so low, or off, changes less than 0.1 dB


@dataclass(frozen=True)
class StrokeCheck:
    """One stroke.

    `sample` where the real one arrives; `gain_db` of the set's file; `delay_samples` by which it
    was moved; `correlation` of both attacks; `real_dbfs` and `layer_dbfs`; `fader_db` of the level
    list there; `apart_db` of the layer, without the fader, from the real one; `fundamental_db` that
    the sum gains over the louder of the two, None where no fundamental is known or the layer
    lies 40 dB below; `in_tail` whether that is mostly an earlier stroke's; `yields_at` from which
    sample of the take on its tail fades on the close stem, None where it rings on.
    """

    sample: int
    velocity: int
    stage: int
    alternate: int
    gain_db: float
    delay_samples: int
    correlation: float
    real_dbfs: float
    layer_dbfs: float
    fader_db: float
    apart_db: float
    fundamental_db: float | None
    in_tail: bool
    yields_at: int | None = None

    @property
    def wrong(self) -> list[str]:
        """What is wrong with it, in words."""
        said = []
        if self.fundamental_db is not None and self.fundamental_db < ADDS_DB and not self.in_tail:
            said.append(f"{self.fundamental_db:.1f} dB at the fundamental")
        if abs(self.apart_db) > APART_DB:
            said.append(f"{self.apart_db:+.1f} dB from the real stroke")
        if self.correlation < ALIKE:
            said.append(f"correlation {self.correlation:.2f}")
        return [words.replace("-", "−") for words in said]

    @property
    def badness(self) -> float:
        """How far it is beyond what is right, to sort by."""
        lost = 0.0 if self.fundamental_db is None or self.in_tail else -self.fundamental_db
        apart, unlike = abs(self.apart_db) - APART_DB, ALIKE - self.correlation
        return max(lost, 0.0) + max(apart, 0.0) / 2 + 4 * max(unlike, 0.0)


def check_layer(
    plan: Plan,
    close: Samples,
    stem: Samples,
    fader_db: Values,
    hz: float | None,
    rate: int,
    alone_dbfs: Values,
) -> tuple[StrokeCheck, ...]:
    """Check every stroke of the plan.

    `close` and `stem` (frames, channels), the stem with the fader's `fader_db` (n,) at each stroke;
    `alone_dbfs` (n,) the level of each layered stroke without the fader, see `played_dbfs`.
    """
    strokes = [placed.turn.stroke for placed in plan.placed]
    at = np.array([stroke.at for stroke in strokes], dtype=np.int64)
    if len(at) == 0:
        return ()
    real = stroke_levels_dbfs(close, at, rate)
    layer = alone_dbfs + fader_db
    track, under = close.mean(axis=1), stem.mean(axis=1)
    stops = [*at[1:].tolist(), len(close)]
    checks = []
    for n, placed in enumerate(plan.placed):
        gain, tail = None, False
        if hz is not None:
            spot = (int(at[n]), stops[n], hz, rate)
            real_there, layer_there = fundamental_at(track, *spot), fundamental_at(under, *spot)
            if abs(layer_there) > SILENT * abs(real_there):
                gain = sum_gain_db(real_there, layer_there)
            tail = not is_its_own(track, *spot)
        sample = placed.turn.sample
        checks.append(
            StrokeCheck(
                int(at[n]), strokes[n].velocity, sample.stage, sample.alternate,
                round(placed.turn.gain_db, 3), placed.delay, round(placed.correlation, 4),
                round(float(real[n]), 3), round(float(layer[n]), 3), round(float(fader_db[n]), 3),
                round(float(layer[n] - fader_db[n] - real[n]), 3),
                None if gain is None else round(gain, 3), tail, placed.yields_at,
            )
        )  # fmt: skip
    return tuple(checks)


def played_dbfs(plan: Plan, microphone: str, rate: int, read: Reader) -> Values:
    """Level in dBFS of each layered stroke alone, (n,), measured on its file of a microphone."""
    own: dict[str, float] = {}
    levels = []
    for placed in plan.placed:
        sample = placed.turn.sample
        name = sample.files[microphone]
        if name not in own:
            own[name] = stroke_level_dbfs(read(sample, microphone), sample.onset, rate)
        levels.append(own[name] + placed.turn.gain_db)
    return np.array(levels)


def worst(checks: Sequence[StrokeCheck]) -> list[int]:
    """Numbers, from 0, of the strokes with something wrong, the worst first; eight at most."""
    order = sorted(range(len(checks)), key=lambda n: (-checks[n].badness, n))
    return [n for n in order if checks[n].wrong][:MOST_WORST]


def summary(checks: Sequence[StrokeCheck]) -> dict[str, Any]:
    """The whole in numbers; None where there is nothing to measure."""
    if not checks:
        return {"strokes": 0}
    tones = [check.fundamental_db for check in checks if check.fundamental_db is not None]
    own = [
        check.fundamental_db
        for check in checks
        if check.fundamental_db is not None and not check.in_tail
    ]
    return {
        "strokes": len(checks),
        "level_apart_db": _median([abs(check.apart_db) for check in checks]),
        "correlation": _median([check.correlation for check in checks]),
        "moved_samples": _median([abs(check.delay_samples) for check in checks]),
        "fundamental_gain_db": _median(tones),
        "add_at_fundamental": _share(own),
        "add_at_fundamental_with_tails": _share(tones),
        "in_tails": sum(check.in_tail for check in checks),
        "tails_that_yield": sum(check.yields_at is not None for check in checks),
    }


def _median(values: Sequence[float]) -> float | None:
    return round(float(np.median(values)), 4) if len(values) else None


def _share(gains: Sequence[float]) -> float | None:
    return round(float(np.mean(np.array(gains) >= ADDS_DB)), 4) if len(gains) else None


def check_data(checks: Sequence[StrokeCheck], rate: int) -> dict[str, Any]:
    """The check as plain data."""
    return {
        "summary": summary(checks),
        "worst": [
            {"number": n + 1, "time_s": round(checks[n].sample / rate, 4), "wrong": checks[n].wrong}
            for n in worst(checks)
        ],
        "strokes": [
            {"number": n, "time_s": round(check.sample / rate, 6), **asdict(check)}
            for n, check in enumerate(checks, start=1)
        ],
    }
