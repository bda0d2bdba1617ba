# SPDX-License-Identifier: GPL-3.0-or-later
"""Detectors: sample peaks of spans, spans by two thresholds, and a mean square."""

from dsp.kernels.loading import kernel


@kernel
def _loudest(x, i):
    """Largest magnitude of frame i over the channels."""
    level = 0.0
    for channel in range(x.shape[1]):
        here = abs(x[i, channel])
        if here > level:
            level = here
    return level


@kernel
def peaks_between(x, starts, stops, out):
    """Largest magnitude of x (n, channels) in each span starts[k] … stops[k] − 1.

    starts, stops (k,) within 0 … n; out (k,); an empty span gives 0.
    """
    for k in range(starts.shape[0]):
        peak = 0.0
        for i in range(starts[k], stops[k]):
            here = _loudest(x, i)
            if here > peak:
                peak = here
        out[k] = peak


@kernel
def last_above(x, starts, stops, close_at, fall, out):
    """The frame after the last one of each span at which the envelope reaches `close_at`.

    The envelope e[i] = max(|x[i]|, fall·e[i − 1]) is 0 before each span. x (n, channels);
    starts, stops, out (k,); `close_at` is an amplitude. A span that never reaches it gives its
    start.
    """
    for k in range(starts.shape[0]):
        level = 0.0
        out[k] = starts[k]
        for i in range(starts[k], stops[k]):
            level *= fall
            here = _loudest(x, i)
            if here > level:
                level = here
            if level >= close_at:
                out[k] = i + 1


@kernel
def spans_above(x, open_at, close_at, fall, bridge, starts, stops):
    """Spans from a frame that reaches `open_at` to the last one that reaches `close_at`.

    Frames are looked at through the envelope e[i] = max(|x[i]|, fall·e[i − 1]). A span goes on
    until `bridge` frames together stay under `close_at`; it begins at starts[k] and ends before
    stops[k]. x (n, channels), thresholds are amplitudes. Returns how many spans there are, of
    which as many are written as `starts` and `stops` (m,) have room for.
    """
    room = starts.shape[0]
    count = 0
    last = 0
    level = 0.0
    is_open = False
    for i in range(x.shape[0]):
        level *= fall
        here = _loudest(x, i)
        if here > level:
            level = here
        if is_open:
            if level >= close_at:
                last = i
            elif i - last >= bridge:
                is_open = False
                if count < room:
                    stops[count] = last + 1
                count += 1
        elif level >= open_at:
            is_open = True
            last = i
            if count < room:
                starts[count] = i
    if is_open:
        if count < room:
            stops[count] = last + 1
        count += 1
    return count


@kernel
def mean_square(x, keep, before, out):
    """One-pole mean square: out[i] = keep·out[i − 1] + (1 − keep)·x[i]², out[−1] = `before`.

    x, out (n,); keep = exp(−1 / (time constant · rate)). Returns the last value.
    """
    value = before
    for i in range(x.shape[0]):
        value = keep * value + (1.0 - keep) * x[i] * x[i]
        out[i] = value
    return value
