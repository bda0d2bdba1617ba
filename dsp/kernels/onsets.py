# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops of the stroke finder: band energies, peaks, change points, spectral evidence."""

import math

from numba import njit


@njit(cache=True, nogil=True)
def band_energies(x, b, a, skip, hop, out):
    """Mean square per band in frames of `hop` samples.

    x (n,); b (2, 3, k), a (2, 2, k): two second-order sections in series for each band, starting
    from rest; the first `skip` samples of x only run the filters in; out (frames, k).
    """
    bands = out.shape[1]
    s00, s01 = b[0, 0] * 0.0, b[0, 0] * 0.0
    s10, s11 = b[0, 0] * 0.0, b[0, 0] * 0.0
    total = b[0, 0] * 0.0
    frames = out.shape[0]
    for i in range(skip + frames * hop):
        v = x[i]
        for k in range(bands):
            y = b[0, 0, k] * v + s00[k]
            s00[k] = b[0, 1, k] * v - a[0, 0, k] * y + s01[k]
            s01[k] = b[0, 2, k] * v - a[0, 1, k] * y
            z = b[1, 0, k] * y + s10[k]
            s10[k] = b[1, 1, k] * y - a[1, 0, k] * z + s11[k]
            s11[k] = b[1, 2, k] * y - a[1, 1, k] * z
            total[k] += z * z
        if i < skip:
            for k in range(bands):
                total[k] = 0.0
        elif (i - skip) % hop == hop - 1:
            for k in range(bands):
                out[(i - skip) // hop, k] = total[k] / hop
                total[k] = 0.0


@njit(cache=True, nogil=True)
def measure_rises(power, quiet, ahead, behind, out):
    """Rise in dB at each frame: mean of `ahead` frames from it over mean of `behind` before it.

    power, out (f, k); quiet (k,) is added to both means. At the ends, over what there is.
    """
    frames, bands = power.shape
    for k in range(bands):
        after = 0.0
        before = 0.0
        for f in range(min(ahead, frames)):
            after += power[f, k]
        for f in range(frames):
            later = min(ahead, frames - f)
            earlier = min(behind, f)
            top = max(after, 0.0) / later + quiet[k]
            bottom = max(before, 0.0) / max(earlier, 1) + quiet[k]
            out[f, k] = 10.0 * math.log10(top / bottom)
            after -= power[f, k]
            if f + ahead < frames:
                after += power[f + ahead, k]
            before += power[f, k]
            if f >= behind:
                before -= power[f - behind, k]


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def excerpt_powers(x, start, n, run_in, b, a, state, out):
    """Squares of each band over n samples of x from `start`, run in over at most `run_in` before.

    b (2, 3, k), a (2, 2, k): two sections in series for each band; state (4, k or more) is
    scratch; out (n or more, k or more).
    """
    count = b.shape[2]
    state[:, :] = 0.0
    for i in range(-min(run_in, start), n):
        v = x[start + i]
        for k in range(count):
            y = b[0, 0, k] * v + state[0, k]
            state[0, k] = b[0, 1, k] * v - a[0, 0, k] * y + state[1, k]
            state[1, k] = b[0, 2, k] * v - a[0, 1, k] * y
            z = b[1, 0, k] * y + state[2, k]
            state[2, k] = b[1, 1, k] * y - a[1, 0, k] * z + state[3, k]
            state[3, k] = b[1, 2, k] * y - a[1, 1, k] * z
            if i >= 0:
                out[i, k] = z * z


@njit(cache=True, nogil=True)
def change_points(x, near, b, a, weights, spans, scratch, out):
    """Most likely change of variance near each position, over bands.

    Akaike's criterion as seismology picks arrivals (Maeda, 1985): the sample i that minimises
    Σ_k w_k·[i·ln var(before) + (n − i)·ln var(after)] within a stretch around the position.
    `spans` are samples: 0 run-in, 1 ahead, 2 behind, 3 and 4 from and to where i is sought, 5 its
    step. b (2, 3, k) and a (2, 2, k) are two sections in series for each band; weights (m, k);
    scratch (ahead + behind + 6, k); out (m,).
    """
    run_in, ahead, behind, low, high, step = spans
    count = weights.shape[1]
    length = ahead + behind
    state = scratch[length : length + 4]
    total = scratch[length + 4]
    before = scratch[length + 5]
    for m in range(near.shape[0]):
        start = max(near[m] - ahead, 0)
        n = min(near[m] + behind, x.shape[0]) - start
        first = max(near[m] - low - start, 1)
        last = min(near[m] + high - start, n)
        out[m] = near[m]
        for k in range(count):
            total[k] = 0.0
            before[k] = 0.0
        excerpt_powers(x, start, n, run_in, b, a, state, scratch)
        for i in range(n):
            for k in range(count):
                total[k] += scratch[i, k]
        best = 1e300
        for i in range(last):
            if i >= first and (i - first) % step == 0:
                cost = 0.0
                for k in range(count):
                    floor = 1e-12 * total[k] / n + 1e-300
                    right = max(total[k] - before[k], 0.0) / (n - i)
                    cost += weights[m, k] * (
                        i * math.log(before[k] / i + floor) + (n - i) * math.log(right + floor)
                    )
                if cost < best:
                    best = cost
                    out[m] = start + i
            for k in range(count):
                before[k] += scratch[i, k]


@njit(cache=True, nogil=True)
def attack_starts(x, near, b, a, weights, spans, rise, most, scratch, out):
    """First sample of each stroke: where its own attack begins, not an event just before it.

    A band has begun when its power passes `rise` times the stroke's own highest there (or three
    times what was there already); the stroke, when bands of at least the share `most` of the
    weights have begun and stay so: a hat a moment earlier begins only in the high ones. The
    change of variance is picked closely around that, as in `change_points`. Where too much was
    there already, in all bands, `near` stays. `spans` are samples: 0 run-in,
    1 ahead, 2 behind, 3 smoothing, 4 back from and 5 on from the crossing, 6 variance around it.
    Other arguments as in `change_points`; scratch (ahead + behind + 6, k + 1).
    """
    run_in, ahead, behind, smooth, back, on, margin = spans
    count = weights.shape[1]
    length = ahead + behind
    state = scratch[length : length + 4]
    for m in range(near.shape[0]):
        start = max(near[m] - ahead, 0)
        n = min(near[m] + behind, x.shape[0]) - start
        out[m] = near[m]
        excerpt_powers(x, start, n, run_in, b, a, state, scratch)
        for i in range(n):
            scratch[i, count] = 0.0
        whole = 0.0
        for k in range(count):
            highest = 0.0
            run = 0.0
            already = 0.0
            for i in range(n):
                run += scratch[i, k]
                if i >= smooth:
                    run -= scratch[i - smooth, k]
                highest = max(highest, run)
                if smooth <= i < margin + smooth:
                    already += run / margin
            limit = max(rise * highest, 3.0 * already)
            if limit > 0.6 * highest:
                continue
            whole += weights[m, k]
            run = 0.0
            for i in range(n):
                run += scratch[i, k]
                if i >= smooth:
                    run -= scratch[i - smooth, k]
                if run > limit:
                    scratch[i, count] += weights[m, k]
        cross = -1
        for i in range(n - smooth):
            if whole <= 0.0:
                break
            if min(scratch[i, count], scratch[i + smooth, count]) >= most * whole:
                cross = i
                break
        if cross <= 0:
            continue
        first = max(cross - back, 1)
        last = min(cross + on, n)
        left = max(cross - margin, 0)
        right = min(cross + margin, n)
        best = 1e300
        for i in range(max(first, left + 1), min(last, right)):
            scratch[i, count] = 0.0
        for k in range(count):
            total = 0.0
            for i in range(left, right):
                total += scratch[i, k]
            floor = 1e-12 * total / (right - left) + 1e-300
            before = 0.0
            for i in range(left, min(last, right)):
                if i >= max(first, left + 1):
                    scratch[i, count] += weights[m, k] * (
                        (i - left) * math.log(before / (i - left) + floor)
                        + (right - i) * math.log(max(total - before, 0.0) / (right - i) + floor)
                    )
                before += scratch[i, k]
        for i in range(max(first, left + 1), min(last, right)):
            if scratch[i, count] < best:
                best = scratch[i, count]
                out[m] = start + i


@njit(cache=True, nogil=True)
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
    ten = 10.0 / math.log(10.0)
    scale = 1.0 / (2.0 * spread * spread)
    shape = drum * 0.0
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
                if null - cost > out[i, 0]:
                    out[i, 0] = null - cost
                    out[i, 1] = levels[m]
                    out[i, 2] = tilts[t]
                    out[i, 3] = excess
