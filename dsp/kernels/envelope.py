# SPDX-License-Identifier: GPL-3.0-or-later
"""Detectors: sample peaks of spans, a peak envelope with two thresholds, and a mean square."""

from numba import njit


@njit(cache=True, nogil=True)
def _loudest(x, i):
    """Largest magnitude of frame i over the channels."""
    level = 0.0
    for channel in range(x.shape[1]):
        level = max(level, abs(x[i, channel]))
    return level


@njit(cache=True, nogil=True)
def peaks_between(x, starts, stops, out):
    """Largest magnitude of x (n, channels) in each span starts[k] … stops[k] − 1.

    starts, stops (k,) within 0 … n; out (k,); an empty span gives 0.
    """
    for k in range(starts.shape[0]):
        peak = 0.0
        for i in range(starts[k], stops[k]):
            peak = max(peak, _loudest(x, i))
        out[k] = peak


@njit(cache=True, nogil=True)
def last_above(x, starts, stops, close_at, fall, out):
    """First frame of each span from which the envelope stays under `close_at` to the span's end.

    The envelope e[i] = max(|x[i]|, fall·e[i − 1]) begins at 0 with each span; x (n, channels);
    starts, stops, out (k,). A span that never reaches `close_at` (amplitude) gives its start.
    """
    for k in range(starts.shape[0]):
        level = 0.0
        last = starts[k]
        for i in range(starts[k], stops[k]):
            level = max(_loudest(x, i), fall * level)
            if level >= close_at:
                last = i + 1
        out[k] = last


@njit(cache=True, nogil=True)
def spans_above(x, open_at, close_at, fall, hold, starts, stops):
    """Spans during which a gate with two thresholds is open; returns how many there are.

    Opens where the envelope e[i] = max(|x[i]|, fall·e[i − 1]) reaches `open_at`; closes when it
    has been under `close_at` for more than `hold` frames. x (n, channels), thresholds are
    amplitudes. Of the spans, as many are written as `starts` and `stops` (m,) have room for.
    """
    n = x.shape[0]
    room = starts.shape[0]
    count = 0
    level = 0.0
    below = 0
    is_open = False
    for i in range(n):
        level = max(_loudest(x, i), fall * level)
        if not is_open:
            if level >= open_at:
                is_open = True
                below = 0
                if count < room:
                    starts[count] = i
        elif level >= close_at:
            below = 0
        else:
            below += 1
            if below > hold:
                is_open = False
                if count < room:
                    stops[count] = i
                count += 1
    if is_open:
        if count < room:
            stops[count] = n
        count += 1
    return count


@njit(cache=True, nogil=True)
def mean_square(x, keep, before, out):
    """One-pole mean square: out[i] = keep·out[i − 1] + (1 − keep)·x[i]², out[−1] = `before`.

    x, out (n,); keep = exp(−1 / (time constant · rate)). Returns the last value.
    """
    value = before
    for i in range(x.shape[0]):
        value = keep * value + (1.0 - keep) * x[i] * x[i]
        out[i] = value
    return value
