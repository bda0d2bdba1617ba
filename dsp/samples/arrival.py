# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a stroke out of silence arrives, to the sample.

Decisions:

- What lies before a stroke is predicted from its own past (linear prediction, fitted on the 30 ms
  before), and the stroke begins where the prediction begins to fail. Prediction flattens hum and
  tails, so that a soft start stands out. (As in pickers of seismology: M. Leonard & B. Kennett,
  "Multi-component autoregressive techniques for the analysis of seismograms", Phys. Earth Planet.
  Inter. 113, 1999; from memory.)
- A soft stroke's very first samples lie under the noise. They are read off louder strokes of the
  same drum: the start is where their beginning fits best, moved back by no more than the noise can
  hide.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.hits.prediction import ORDER, QUIETEST, prediction_errors

Values = NDArray[np.float64]
Positions = NDArray[np.int64]

NOISE_S, BACK_S, AHEAD_S = 0.030, 0.0025, 0.002
OUT, AGAIN, RUN, LEAST, STEP = 4.2, 3.5, 8, 4, 3  # in noise RMS; 4.2: once in 40 000 samples
BEGINNING_S, HIDDEN_S = 0.0005, 0.0005
LOUDER_DB = (2.0, 12.0)
TEACHERS = 5
ALIKE, SAME = 0.8, 0.8  # correlation of beginnings
HIDES = 8.0  # noise RMS: a beginning twice as loud as what is picked would have been seen
EARLY = 9  # samples by which chance in the noise may have been taken for the start


def place_arrivals(sound: Values, near: Positions, level_dbfs: Values, rate: int) -> Positions:
    """First sample of each stroke of sound (n,), given within 2 ms by `near`, alike in order.

    The strokes must come out of noise that is lower than they are; `level_dbfs` is their level.
    """
    picked = np.array(near, dtype=np.int64)
    noise = np.zeros(len(near))
    for i, at in enumerate(near):
        picked[i], noise[i] = _pick(sound, int(at), rate)
    placed = picked.copy()
    for i in np.argsort(-level_dbfs, kind="stable"):
        above = level_dbfs - level_dbfs[i]
        teachers = np.flatnonzero((above > LOUDER_DB[0]) & (above < LOUDER_DB[1]))
        teachers = teachers[np.argsort(above[teachers], kind="stable")][:TEACHERS]
        if len(teachers) < 2:  # among the loudest: the nearest others teach
            others = np.argsort(np.abs(above), kind="stable")
            teachers = others[others != i][:TEACHERS]
        placed[i] = _fit(sound, int(picked[i]), float(noise[i]), placed[teachers], rate)
    return placed


def _pick(sound: Values, near: int, rate: int) -> tuple[int, float]:
    """Where prediction begins to fail, and the RMS of its errors before."""
    span, back, ahead = (round(s * rate) for s in (NOISE_S, BACK_S, AHEAD_S))
    start = near - back - span
    part = _stretch(sound, start, near + ahead)
    errors = prediction_errors(part, span)
    noise = max(float(np.sqrt(np.mean(errors[ORDER:span] ** 2))), QUIETEST)
    size = np.abs(errors) / noise
    seen = size > AGAIN
    runs = np.convolve(seen, np.ones(RUN))[RUN - 1 :]  # how many of the RUN samples from here on
    out = np.flatnonzero((size > OUT) & (runs >= LEAST))
    out = out[out >= span]
    if len(out) == 0:
        return near, noise
    first = int(out[0])
    while True:
        earlier = np.flatnonzero(seen[max(first - STEP, span) : first])
        if len(earlier) == 0:
            return start + first, noise
        first = max(first - STEP, span) + int(earlier[0])


def _fit(sound: Values, picked: int, noise: float, teachers: Positions, rate: int) -> int:
    """The start at which the beginning of the stroke is most like the teachers'."""
    count, hidden = round(BEGINNING_S * rate), round(HIDDEN_S * rate)
    if len(teachers) < 2:
        return picked
    taught = np.stack([_unit(_stretch(sound, int(at), int(at) + count)) for at in teachers])
    alike = taught @ _unit(np.median(taught, axis=0)) > ALIKE
    if alike.sum() < 2:
        return picked
    beginning = _unit(taught[alike].mean(axis=0))
    best, placed = SAME, picked
    for at in range(picked - hidden, picked + EARLY + 1):
        part = _stretch(sound, at, at + count)
        gain = float(part @ beginning)
        # Samples between the two places: noise must be able to hide them, or to be them.
        passed = gain * beginning[: picked - at] if at < picked else sound[max(picked, 0) : at]
        if np.abs(passed).max(initial=0.0) > HIDES * noise:
            continue
        if (likeness := float(_unit(part) @ beginning)) > best:
            best, placed = likeness, at
    return placed


def _stretch(sound: Values, start: int, stop: int) -> Values:
    """sound[start:stop], with silence where it has no samples."""
    part = np.zeros(stop - start)
    first, last = max(start, 0), min(stop, len(sound))
    if last > first:
        part[first - start : last - start] = sound[first:last]
    return part


def _unit(part: Values) -> Values:
    return np.asarray(part / max(float(np.sqrt(part @ part)), 1e-300))
