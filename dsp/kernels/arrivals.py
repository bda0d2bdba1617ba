# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops that place onsets: powers of an excerpt, change points, starts of attacks."""

import math

from dsp.kernels.loading import kernel


@kernel
def excerpt_powers(x, start, n, run_in, b, a, out):
    """Squares of each band over n samples of x from `start`, run in over at most `run_in` before.

    b (2, 3, k), a (2, 2, k): two sections in series for each band; out (n or more, k or more).
    Transposed direct form II.
    """
    count = b.shape[2]
    # A sample waits for the one before it: two bands at once take no longer than one.
    for k in range(0, count, 2):
        m = min(k + 1, count - 1)
        b0, b1, b2 = b[0, :, k]
        c0, c1, c2 = b[1, :, k]
        a1, a2 = a[0, :, k]
        d1, d2 = a[1, :, k]
        e0, e1, e2 = b[0, :, m]
        f0, f1, f2 = b[1, :, m]
        g1, g2 = a[0, :, m]
        h1, h2 = a[1, :, m]
        p1 = p2 = q1 = q2 = r1 = r2 = s1 = s2 = 0.0
        for i in range(-min(run_in, start), n):
            v = x[start + i]
            y = b0 * v + p1
            p1 = b1 * v - a1 * y + p2
            p2 = b2 * v - a2 * y
            z = c0 * y + q1
            q1 = c1 * y - d1 * z + q2
            q2 = c2 * y - d2 * z
            u = e0 * v + r1
            r1 = e1 * v - g1 * u + r2
            r2 = e2 * v - g2 * u
            w = f0 * u + s1
            s1 = f1 * u - h1 * w + s2
            s2 = f2 * u - h2 * w
            if i >= 0:
                out[i, k] = z * z
                out[i, m] = w * w


@kernel
def change_points(x, near, b, a, weights, spans, scratch, out):
    """Most likely change of variance near each position, over bands, by each of w weightings.

    Akaike's criterion as seismology picks arrivals (Maeda, 1985): the sample i that minimises
    Σ_k w_k·[i·ln var(before) + (n − i)·ln var(after)] within a stretch around the position.
    `spans` are samples: 0 run-in, 1 ahead, 2 behind, 3 and 4 from and to where i is sought, 5 its
    step. b (2, 3, k) and a (2, 2, k) are two sections in series for each band; weights (m, w, k);
    scratch (ahead + behind + 4, k or w, whichever is more); out (m, w).
    """
    run_in, ahead, behind, low, high, step = spans
    kinds, count = weights.shape[1:]
    length = ahead + behind
    total = scratch[length]
    before = scratch[length + 1]
    term = scratch[length + 2]
    best = scratch[length + 3]
    for m in range(near.shape[0]):
        start = max(near[m] - ahead, 0)
        n = min(near[m] + behind, x.shape[0]) - start
        first = max(near[m] - low - start, 1)
        last = min(near[m] + high - start, n)
        for j in range(kinds):
            out[m, j] = near[m]
            best[j] = 1e300
        for k in range(count):
            total[k] = 0.0
            before[k] = 0.0
        excerpt_powers(x, start, n, run_in, b, a, scratch)
        for i in range(n):
            for k in range(count):
                total[k] += scratch[i, k]
        for i in range(last):
            if i >= first and (i - first) % step == 0:
                for k in range(count):
                    floor = 1e-12 * total[k] / n + 1e-300
                    right = max(total[k] - before[k], 0.0) / (n - i)
                    term[k] = i * math.log(before[k] / i + floor)
                    term[k] += (n - i) * math.log(right + floor)
                for j in range(kinds):
                    cost = 0.0
                    for k in range(count):
                        cost += weights[m, j, k] * term[k]
                    if cost < best[j]:
                        best[j] = cost
                        out[m, j] = start + i
            for k in range(count):
                before[k] += scratch[i, k]


@kernel
def attack_starts(x, near, b, a, weights, spans, rise, most, scratch, out):
    """First sample of each stroke: where its own attack begins, not an event just before it.

    A band has begun when its power passes `rise` times the stroke's own highest there (or three
    times what was there already); the stroke, when bands of at least the share `most` of the
    weights have begun and stay so: a hat a moment earlier begins only in the high ones. The
    change of variance is picked closely around that, as in `change_points`. Where too much was
    there already, in all bands, `near` stays. `spans` are samples: 0 run-in,
    1 ahead, 2 behind, 3 smoothing, 4 back from and 5 on from the crossing, 6 variance around it.
    Other arguments as in `change_points`; scratch (ahead + behind, k + 1).
    """
    run_in, ahead, behind, smooth, back, on, margin = spans
    count = weights.shape[1]
    for m in range(near.shape[0]):
        start = max(near[m] - ahead, 0)
        n = min(near[m] + behind, x.shape[0]) - start
        out[m] = near[m]
        excerpt_powers(x, start, n, run_in, b, a, scratch)
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


@kernel
def excerpt_sums(x, starts, run_in, b, a, scratch, out):
    """Running sums of the squares of each band, from each start on.

    x (n,); starts (m,) may lie before or run past x, where there is silence; b (2, 3, k),
    a (2, 2, k); scratch (length, k); out (m, length + 1, k), out[:, 0] = 0.
    """
    length = out.shape[1] - 1
    count = out.shape[2]
    for m in range(starts.shape[0]):
        skip = min(max(-starts[m], 0), length)
        inside = max(min(x.shape[0] - starts[m], length), skip) - skip
        first = min(max(starts[m], 0), x.shape[0])
        excerpt_powers(x, first, inside, run_in, b, a, scratch)
        for k in range(count):
            total = 0.0
            for i in range(length + 1):
                out[m, i, k] = total
                if skip <= i < skip + inside:
                    total += scratch[i - skip, k]
