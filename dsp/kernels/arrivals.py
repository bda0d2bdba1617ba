# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops that place onsets: powers of an excerpt, change points, starts of attacks."""

import math

from dsp.kernels.loading import kernel


@kernel
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


@kernel
def change_points(x, near, b, a, weights, spans, scratch, out):
    """Most likely change of variance near each position, over bands, by each of w weightings.

    Akaike's criterion as seismology picks arrivals (Maeda, 1985): the sample i that minimises
    Σ_k w_k·[i·ln var(before) + (n − i)·ln var(after)] within a stretch around the position.
    `spans` are samples: 0 run-in, 1 ahead, 2 behind, 3 and 4 from and to where i is sought, 5 its
    step. b (2, 3, k) and a (2, 2, k) are two sections in series for each band; weights (m, w, k);
    scratch (ahead + behind + 8, k or w, whichever is more); out (m, w).
    """
    run_in, ahead, behind, low, high, step = spans
    kinds, count = weights.shape[1:]
    length = ahead + behind
    state = scratch[length : length + 4]
    total = scratch[length + 4]
    before = scratch[length + 5]
    term = scratch[length + 6]
    best = scratch[length + 7]
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
        excerpt_powers(x, start, n, run_in, b, a, state, scratch)
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


@kernel
def excerpt_sums(x, starts, run_in, b, a, scratch, out):
    """Running sums of the squares of each band, from each start on.

    x (n,); starts (m,) may lie before or run past x, where there is silence; b (2, 3, k),
    a (2, 2, k); scratch (length + 4, k); out (m, length + 1, k), out[:, 0] = 0.
    """
    length = out.shape[1] - 1
    count = out.shape[2]
    for m in range(starts.shape[0]):
        skip = min(max(-starts[m], 0), length)
        inside = max(min(x.shape[0] - starts[m], length), skip) - skip
        first = min(max(starts[m], 0), x.shape[0])
        excerpt_powers(x, first, inside, run_in, b, a, scratch[length : length + 4], scratch)
        for k in range(count):
            total = 0.0
            for i in range(length + 1):
                out[m, i, k] = total
                if skip <= i < skip + inside:
                    total += scratch[i - skip, k]
