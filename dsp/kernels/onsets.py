# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops of the stroke finder: band energies, rises and their peaks, spectral evidence, company."""

import math

from dsp.kernels.loading import kernel

TEN_PER_NEPER = 10.0 / math.log(10.0)


@kernel
def band_energies(x, b, a, skip, hop, out):
    """Mean square per band in frames of `hop` samples.

    x (n,); b (2, 3, k), a (2, 2, k): two second-order sections in series for each band, starting
    from rest; the first `skip` samples of x only run the filters in; out (frames, k).
    """
    frames, bands = out.shape
    for k in range(bands):
        b0, b1, b2 = b[0, :, k]
        c0, c1, c2 = b[1, :, k]
        a1, a2 = a[0, :, k]
        d1, d2 = a[1, :, k]
        v1 = v2 = y1 = y2 = z1 = z2 = 0.0
        for frame in range(-1, frames):  # the one before the first is what runs the filters in
            total = 0.0
            start = skip + frame * hop
            for i in range(0 if frame < 0 else start, start + hop):
                v = x[i]
                y = (b0 * v + b1 * v1 + b2 * v2 - a2 * y2) - a1 * y1
                z = (c0 * y + c1 * y1 + c2 * y2 - d2 * z2) - d1 * z1
                v1, v2, y1, y2, z1, z2 = v, v1, y, y1, z, z1
                total += z * z
            if frame >= 0:
                out[frame, k] = total / hop


@kernel
def measure_rises(power, quiet, ahead, behind, out):
    """Rise in dB at each frame: mean of `ahead` frames from it over mean of `behind` before it.

    power, out (f, k); quiet (k,) is added to both means. At the ends, over what there is.
    """
    frames, bands = power.shape
    for k in range(bands):
        after = before = 0.0
        for f in range(min(ahead, frames)):
            after += power[f, k]
        for f in range(frames):
            top = max(after, 0.0) / min(ahead, frames - f) + quiet[k]
            bottom = max(before, 0.0) / max(min(behind, f), 1) + quiet[k]
            out[f, k] = TEN_PER_NEPER * math.log(top / bottom)  # log10 takes twice as long
            after -= power[f, k]
            if f + ahead < frames:
                after += power[f + ahead, k]
            before += power[f, k]
            if f >= behind:
                before -= power[f - behind, k]


@kernel
def local_peaks(level, floor, reach, out):
    """Mark frames at least `floor` that are the highest within ± reach frames (first of equals)."""
    n = level.shape[0]
    for i in range(n):
        out[i] = False
        if level[i] < floor:
            continue
        highest = True
        for j in range(max(0, i - reach), min(n, i + reach + 1)):
            if level[j] > level[i] or (j < i and level[j] == level[i]):
                highest = False
                break
        out[i] = highest


@kernel
def stroke_evidence(after, before, strokes, spread, cap, keep, least, out):
    """How much better a stroke of the drum explains each candidate than no stroke does.

    after, before (n, k) band powers behind and ahead of each candidate; strokes (t, m, k) those of
    the drum's strokes, by tilt and by level, lowest first. With e_k the error in dB, the evidence
    is Σ_k min(e0², c) − min(e1², c), over 2·spread². `keep` is the share of `before` that goes on.
    Where even Σ_k min(e0², c) is below `least`, nothing can be gained, and only the lowest level
    is tried. out (n, 4): evidence, the stroke's tilt and level by their places, and the sum of
    errors above what was predicted.
    """
    n, bands = after.shape
    ten = TEN_PER_NEPER
    scale = 1.0 / (2.0 * spread * spread)
    # A logarithm takes long. What is this far off costs `cap`, with or without it.
    far = math.exp(math.sqrt(cap / scale) / ten) * (1.0 + 1e-9)
    for i in range(n):
        null = 0.0
        for k in range(bands):
            e = ten * math.log(after[i, k] / before[i, k])
            null += min(e * e * scale, cap)
        best = -1e9
        tilt = level = 0
        for t in range(strokes.shape[0] if null >= least else 1):
            for m in range(strokes.shape[1] if null >= least else 1):
                cost = 0.0
                for k in range(bands):
                    predicted = keep * before[i, k] + strokes[t, m, k]
                    if after[i, k] > far * predicted or predicted > far * after[i, k]:
                        cost += cap
                    else:
                        e = ten * math.log(after[i, k] / predicted)
                        cost += min(e * e * scale, cap)
                    if null - cost <= best:
                        break  # costs only grow
                if null - cost > best:
                    best = null - cost
                    tilt, level = t, m
        excess = 0.0
        for k in range(bands):
            predicted = keep * before[i, k] + strokes[tilt, level, k]
            excess += max(ten * math.log(after[i, k] / predicted), 0.0)
        out[i, 0] = best
        out[i, 1] = tilt
        out[i, 2] = level
        out[i, 3] = excess


@kernel
def company(shape, position, score, asked, gap, cap, scale, alone, distance, out):
    """What the candidates most like each one asked for are thought to be.

    shape (k, n) dB; position (n,) samples, rising; score (n,); asked (m,) indices. The distance
    of two candidates is Σ_k min(|difference|, cap)/k; those less than `gap` samples apart are not
    compared, since they may hold the same sound. out (m, 2): the score of the three nearest,
    weighted by exp(−distance/scale), and their mean distance. The candidate's own score counts
    as that of one more, at the distance `alone`: what is unlike all others stays as it was.
    distance (n,) is scratch.
    """
    bands, n = shape.shape
    for m in range(asked.shape[0]):
        i = asked[m]
        for j in range(n):
            distance[j] = 0.0
        for k in range(bands):
            own = shape[k, i]
            for j in range(n):  # of all at once: several in one instruction
                distance[j] += min(abs(shape[k, j] - own), cap)
        d0, d1, d2 = cap, cap, cap
        s0, s1, s2 = score[i], score[i], score[i]
        for j in range(n):
            d = distance[j] / bands
            if d >= d2 or abs(position[j] - position[i]) <= gap:
                continue
            if d < d0:
                d0, d1, d2 = d, d0, d1
                s0, s1, s2 = score[j], s0, s1
            elif d < d1:
                d1, d2 = d, d1
                s1, s2 = score[j], s1
            else:
                d2, s2 = d, score[j]
        w0, w1, w2 = math.exp(-d0 / scale), math.exp(-d1 / scale), math.exp(-d2 / scale)
        w = math.exp(-alone / scale)
        out[m, 0] = (w0 * s0 + w1 * s1 + w2 * s2 + w * score[i]) / (w0 + w1 + w2 + w)
        out[m, 1] = (d0 + d1 + d2) / 3.0
