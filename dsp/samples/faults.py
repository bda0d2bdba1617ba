# SPDX-License-Identifier: GPL-3.0-or-later
"""What makes a stroke useless as a sample: company, before it, in it or in its tail.

Decisions:

- A sample must come out of silence and sink into silence, in every microphone, before the next
  stroke.
- Within its tail it must go the way of the strokes of its own level: whatever else sounds (a
  bounce, a buzz, the second stroke of a flam, talk, a chair) can only add. So the way is a low
  quantile over the nearest strokes, and a stroke that lies clearly above it anywhere is not alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.hits.rises import FRAME_S
from dsp.samples.envelopes import Envelope, tail_ends

Values = NDArray[np.float64]
Positions = NDArray[np.int64]
Flags = NDArray[np.bool_]

LONGEST_S = 4.0
BEFORE = (-round(0.060 / FRAME_S), -round(0.003 / FRAME_S))  # frames from a stroke
FIRST, FAINT_DB = round(0.010 / FRAME_S), 6.0
BEFORE_DB = 3.0
WINDOW, STEP = round(0.005 / FRAME_S), round(0.0025 / FRAME_S)
NEAREST, QUANTILE = 7, 0.4
LOWEST_BAND = 1  # below 300 Hz 5 ms hold too few cycles
LEAST_DB, MOST_DB = -6.0, 20.0  # what one band can say
SECOND_FRAMES = round(0.180 / FRAME_S)  # what comes so soon is a second stroke
SECOND_DB, COMPANY_DB = 4.0, 6.0  # clearly above its like, early and late: tails differ more
USUAL_TIMES = 3.0  # strokes of some drums differ more: median deviations above the median, at least
BODY, BODY_DB = 2, 9.0  # bands that hold the drum's body; wires may rattle on, the body may not
SECOND_S = 0.120

FAINT = "it hardly stands out of the noise"
NOT_FROM_SILENCE = "something sounds before it"
NEXT_TOO_SOON = "the next stroke comes before its tail has ended"
CUT_OFF = "the recording ends before its tail has"
ENDLESS = "its tail does not sink into silence"
DOUBLE = "double stroke"
COMPANY = "something else sounds in its tail"


@dataclass(frozen=True)
class Inspected:
    """What was found about each stroke.

    `fault` says what makes it useless, "" where nothing does; `end` is the sample (exclusive) at
    which its tail has ended in all microphones, −1 where it does not; `company_db` is how far it
    rises above the way of its like, at most.
    """

    fault: tuple[str, ...]
    end: Positions
    company_db: Values


def inspect_strokes(
    envelopes: Mapping[str, Envelope], onset: Positions, level_dbfs: Values, frames: int, rate: int
) -> Inspected:
    """Look at every stroke of a recording of `frames` samples.

    `onset` and `level_dbfs` are those on the close track, whose envelope comes first.
    """
    following: Positions = np.append(onset[1:], frames)
    limit: Positions = np.minimum(following, onset + round(LONGEST_S * rate))
    ends = np.stack([tail_ends(envelope, onset, limit) for envelope in envelopes.values()])
    ended = np.asarray((ends >= 0).all(axis=0))
    end = np.where(ended, ends.max(axis=0), -1)
    before: Values = np.max(
        [_above_db(envelope, onset, *BEFORE) for envelope in envelopes.values()], axis=0
    )
    apart = ended & (before <= BEFORE_DB)
    close = next(iter(envelopes.values()))
    span = np.where(ended, end - onset, limit - onset)
    ways = [_ways(envelope, onset, span) for envelope in envelopes.values()]
    early, late, body = _company(ways, level_dbfs, ~apart)
    second = (early > _unusual(early[apart], SECOND_DB)) | (body > BODY_DB)
    close_by = np.append(np.diff(onset), frames) < SECOND_S * rate
    reasons: tuple[tuple[Flags, str], ...] = (
        (_above_db(close, onset, 0, FIRST) < FAINT_DB, FAINT),
        (before > BEFORE_DB, NOT_FROM_SILENCE),
        (second | close_by, DOUBLE),
        (late > _unusual(late[apart], COMPANY_DB), COMPANY),
        (~ended & (limit == frames), CUT_OFF),
        (~ended & (limit == following), NEXT_TOO_SOON),
        (~ended, ENDLESS),
    )
    fault = [next((why for found, why in reasons if found[i]), "") for i in range(len(onset))]
    return Inspected(tuple(fault), end, np.maximum(early, late))


def _above_db(envelope: Envelope, onset: Positions, start: int, stop: int) -> Values:
    """How far frames `start` to `stop` from each stroke are above silence: mean over the bands."""
    frame = onset // envelope.hop
    heard = envelope.heard_db(frame + start, frame + stop)
    return np.asarray((heard - 10 * np.log10(envelope.least)).mean(axis=1))


@dataclass(frozen=True)
class _Ways:
    """How strokes go in one microphone: `db` (strokes, windows, bands), not below `least_db`."""

    db: Values
    least_db: Values
    inside: Flags  # (strokes, windows): before the stroke's end


def _ways(envelope: Envelope, onset: Positions, span: Positions) -> _Ways:
    starts = np.arange(0, max(int(span.max(initial=0)) // envelope.hop, STEP), STEP)
    first = (onset // envelope.hop)[:, None] + starts
    db = envelope.heard_db(first, first + WINDOW)[:, :, LOWEST_BAND:]
    inside = starts * envelope.hop < span[:, None]
    return _Ways(db, 10 * np.log10(envelope.least[LOWEST_BAND:]), inside)


def _company(
    ways: list[_Ways], level_dbfs: Values, useless: Flags
) -> tuple[Values, Values, Values]:
    """How far each stroke is above its like in any microphone, at most.

    Early, late, and early in the bands of the body alone; the first two are means over bands.
    """
    early, late, body = (np.zeros(len(level_dbfs)) for _ in range(3))
    soon = SECOND_FRAMES // STEP
    for i, level in enumerate(level_dbfs):
        like = _like(level_dbfs, i, useless)
        for way in ways:
            moved = way.db[like] + (level - level_dbfs[like])[:, None, None]
            path = np.maximum(np.quantile(moved, QUANTILE, axis=0), way.least_db)
            above = np.clip(way.db[i] - path, LEAST_DB, MOST_DB) * way.inside[i][:, None]
            mean = above.mean(axis=1)
            early[i] = max(early[i], float(mean[:soon].max()))
            late[i] = max(late[i], float(mean[soon:].max(initial=0.0)))
            body[i] = max(body[i], float(above[:soon, :BODY].mean(axis=1).max()))
    return early, late, body


def _unusual(company_db: Values, least_db: float) -> float:
    """From where on the company (strokes,) of strokes that stand apart is unusual for the drum."""
    if len(company_db) == 0:
        return least_db
    usual = float(np.median(company_db))
    spread = float(np.median(np.abs(company_db - usual)))
    return max(least_db, usual + USUAL_TIMES * spread)


def _like(level_dbfs: Values, i: int, useless: Flags) -> Positions:
    """The strokes nearest in level, itself among them; useless ones only where others lack."""
    distance = np.abs(level_dbfs - level_dbfs[i]) + np.where(useless, 1e3, 0.0)
    distance[i] = -1.0
    return np.asarray(np.argsort(distance, kind="stable")[:NEAREST])
