# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops of the stroke finder: band energies, rises and their peaks, spectral evidence, company."""

import math

import numpy as np

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
        total = 0.0
        frame = 0
        last = skip + hop - 1  # of the frame
        for i in range(skip + frames * hop):
            v = x[i]
            y = (b0 * v + b1 * v1 + b2 * v2 - a2 * y2) - a1 * y1
            z = (c0 * y + c1 * y1 + c2 * y2 - d2 * z2) - d1 * z1
            v1, v2, y1, y2, z1, z2 = v, v1, y, y1, z, z1
            if i >= skip:
                total += z * z
            if i == last:
                out[frame, k] = total / hop
                total = 0.0
                frame += 1
                last += hop


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
def stroke_evidence(after, before, drum, tilt, tilts, levels, spread, cap, keep, least, out):
    """How much better a stroke of the drum explains each candidate than no stroke does.

    after, before (n, k) band powers behind and ahead of each candidate; drum (k,) the learned
    stroke; tilt (k,) octaves by which a soft stroke is duller; tilts dB per octave and levels dB
    are searched. With e_k the error in dB, the evidence is Σ_k min(e0², c) − min(e1², c), over
    2·spread². `keep` is the share of `before` that goes on. Where even Σ_k min(e0², c) is below
    `least`, nothing can be gained, and only the lowest level is tried. out (n, 4): evidence, level,
    tilt, and the sum of errors above what was predicted.
    """
    n, bands = after.shape
    ten = TEN_PER_NEPER
    scale = 1.0 / (2.0 * spread * spread)
    shape = np.empty(bands)
    for i in range(n):
        null = 0.0
        for k in range(bands):
            e = ten * math.log(after[i, k] / before[i, k])
            null += min(e * e * scale, cap)
        out[i, 0] = -1e9
        tried = levels.shape[0] if null >= least else 1
        for t in range(tilts.shape[0] if null >= least else 1):
            for k in range(bands):
                shape[k] = drum[k] * math.exp(-tilts[t] * tilt[k] / ten)
            for m in range(tried):
                gain = math.exp(levels[m] / ten)
                cost = 0.0
                excess = 0.0
                for k in range(bands):
                    e = ten * math.log(after[i, k] / (keep * before[i, k] + gain * shape[k]))
                    cost += min(e * e * scale, cap)
                    if e > 0.0:
                        excess += e
                    if null - cost <= out[i, 0]:
                        break  # costs only grow
                if null - cost > out[i, 0]:
                    out[i, 0] = null - cost
                    out[i, 1] = levels[m]
                    out[i, 2] = tilts[t]
                    out[i, 3] = excess


@kernel
def company(shape, position, score, asked, gap, cap, scale, alone, out):
    """What the candidates most like each one asked for are thought to be.

    shape (n, k) dB; position (n,) samples, rising; score (n,); asked (m,) indices. The distance
    of two candidates is Σ_k min(|difference|, cap)/k; those less than `gap` samples apart are not
    compared, since they may hold the same sound. out (m, 2): the score of the three nearest,
    weighted by exp(−distance/scale), and their mean distance. The candidate's own score counts
    as that of one more, at the distance `alone`: what is unlike all others stays as it was.
    """
    n, bands = shape.shape
    for m in range(asked.shape[0]):
        i = asked[m]
        d0, d1, d2 = cap, cap, cap
        s0, s1, s2 = score[i], score[i], score[i]
        for j in range(n):
            if abs(position[j] - position[i]) <= gap:
                continue
            total = 0.0
            for first in range(0, bands, 8):
                for k in range(first, min(first + 8, bands)):
                    total += min(abs(shape[j, k] - shape[i, k]), cap)
                if total >= d2 * bands:
                    break
            distance = total / bands
            if distance < d0:
                d0, d1, d2 = distance, d0, d1
                s0, s1, s2 = score[j], s0, s1
            elif distance < d1:
                d1, d2 = distance, d1
                s1, s2 = score[j], s1
            elif distance < d2:
                d2, s2 = distance, score[j]
        w0, w1, w2 = math.exp(-d0 / scale), math.exp(-d1 / scale), math.exp(-d2 / scale)
        own = math.exp(-alone / scale)
        out[m, 0] = (w0 * s0 + w1 * s1 + w2 * s2 + own * score[i]) / (w0 + w1 + w2 + own)
        out[m, 1] = (d0 + d1 + d2) / 3.0
