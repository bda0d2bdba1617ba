# SPDX-License-Identifier: GPL-3.0-or-later
"""Loops of bleed suppression: band powers, the predicted drum, the tracked bleed, the gains."""

import math

from dsp.kernels.loading import kernel

NEPER_OF_POWER = math.log(10.0) / 10.0


@kernel
def split_powers(x, below, edges, out):
    """Mean square of each band in frames.

    x (n,); below (c, n): what lies below each of c crossovers; frame f is samples edges[f] …
    edges[f + 1] − 1 of x; out (frames, c + 1), bands low to high.
    """
    crossovers = below.shape[0]
    for f in range(out.shape[0]):
        for k in range(crossovers + 1):
            out[f, k] = 0.0
        for i in range(edges[f], edges[f + 1]):
            under = 0.0
            for k in range(crossovers):
                band = below[k, i] - under
                under = below[k, i]
                out[f, k] += band * band
            band = x[i] - under
            out[f, crossovers] += band * band
        for k in range(crossovers + 1):
            out[f, k] /= edges[f + 1] - edges[f]


@kernel
def levels_of(power, weights, floor, out):
    """Level in dB of band powers (f, k) smoothed over frames by an odd window that sums to 1."""
    frames, bands = power.shape
    half = weights.shape[0] // 2
    for f in range(frames):
        for k in range(bands):
            total = 0.0
            for j in range(-half, half + 1):
                if 0 <= f + j < frames:
                    total += weights[j + half] * power[f + j, k]
            out[f, k] = 10.0 * math.log10(total + floor)


@kernel
def predict_drum(first, level, shape, ahead, floor, out):
    """Level in dB of the drum alone, (f, k): every stroke's decay, added in power.

    first (n,) frames of the onsets; level (n, k) power of each stroke; shape (t, k) power of the
    decay against it, its row `ahead` at the onset; `floor` is a power too.
    """
    frames, bands = out.shape
    length = shape.shape[0]
    for k in range(bands):
        for f in range(frames):
            out[f, k] = floor
        for n in range(first.shape[0]):
            start = first[n] - ahead
            for t in range(max(0, -start), min(length, frames - start)):
                out[start + t, k] += level[n, k] * shape[t, k]
        for f in range(frames):
            out[f, k] = 10.0 * math.log10(out[f, k])


@kernel
def see_bleed(level, calm, drum, hidden, excess, decays, early, back, skip, hold, out):
    """Where bleed is seen, (f, k): level exceeds drum by `excess` dB and `hidden` (f,) is false.

    In bands that are true in `decays` (k,) it is seen only from where something began: within
    `early` frames of hidden ones, or where `calm` (level smoothed further) is no lower than
    anywhere between `back` and `skip` frames before. Frames without excess end it after `hold`.
    """
    frames, bands = level.shape
    for k in range(bands):
        begun = not decays[k]
        quiet = 0
        since = early + 1
        for f in range(frames):
            since = 0 if hidden[f] else since + 1
            over = level[f, k] > drum[f, k] + excess
            quiet = 0 if over else quiet + 1
            if decays[k] and quiet > hold:
                begun = False
            if over and since > 0 and not begun:
                begun = since <= early
                if not begun:
                    most = -1e9
                    for j in range(max(0, f - back), f - skip):
                        most = max(most, calm[j, k])
                    begun = calm[f, k] >= most
            out[f, k] = over and since > 0 and begun


@kernel
def track_bleed(level, calm, seen, half, fall, out):
    """Level in dB of the bleed, (f, k): seen, or carried on where the drum covers it.

    `level` and `calm` (level smoothed further) of the track; `seen` (f, k) says where it is the
    bleed's. In between bleed is no louder than it last was less fall (k,) dB a frame, than the
    straight line to where it is next seen, or than the track itself has been since. Seen levels are
    means over ± half frames.
    """
    frames, bands = level.shape
    for k in range(bands):
        last = -1
        for f in range(frames):
            if not seen[f, k]:
                continue
            total = 0.0
            count = 0
            for j in range(max(0, f - half), min(frames, f + half + 1)):
                if seen[j, k]:
                    total += level[j, k]
                    count += 1
            now = total / count
            before = out[last, k] if last >= 0 else now
            for g in range(last + 1, f):
                share = (g - last) / (f - last) if last >= 0 else 1.0
                line = before + (now - before) * share
                fallen = fall[k] * (g - last) if last >= 0 else 0.0
                out[g, k] = min(line, before - fallen)
            out[f, k] = now
            last = f
        if last < 0:
            lowest = 1e9
            for f in range(frames):
                lowest = min(lowest, calm[f, k])
            for f in range(frames):
                out[f, k] = lowest
            continue
        for g in range(last + 1, frames):
            out[g, k] = out[last, k] - fall[k] * (g - last)
        most = 1e9
        for f in range(frames):
            if seen[f, k]:
                most = max(calm[f, k], out[f, k])
                out[f, k] = level[f, k]
            else:
                most = min(most, calm[f, k])
                out[f, k] = min(out[f, k], most)


@kernel
def look_up(table, d_first, d_step, b_first, b_step, level, drum, bleed, out):
    """Gain in dB, (f, k), from a table over drum − level and bleed − level, all in dB."""
    frames, bands = level.shape
    rows, columns = table.shape
    for k in range(bands):
        for f in range(frames):
            i = (drum[f, k] - level[f, k] - d_first) / d_step
            j = (bleed[f, k] - level[f, k] - b_first) / b_step
            i = min(max(i, 0.0), rows - 1.001)
            j = min(max(j, 0.0), columns - 1.001)
            row, column = int(i), int(j)
            u, v = i - row, j - column
            low = table[row, column] * (1 - v) + table[row, column + 1] * v
            high = table[row + 1, column] * (1 - v) + table[row + 1, column + 1] * v
            out[f, k] = low * (1 - u) + high * u


@kernel
def keep_needed(drum, bleed, none, all_of_it, gains):
    """Keep of gains in dB, (f, k), in place, what each frame needs: nothing while the drum covers.

    drum and bleed (f, k) in dB. Gains stay where all bleed of a frame is at least `all_of_it` dB
    against all of the drum, are 0 where it is at most `none` dB, and in between change evenly.
    """
    frames, bands = gains.shape
    for f in range(frames):
        own = other = 0.0
        for k in range(bands):
            own += math.exp(drum[f, k] * NEPER_OF_POWER)
            other += math.exp(bleed[f, k] * NEPER_OF_POWER)
        need = (10.0 * math.log10(other / own) - none) / (all_of_it - none)
        need = min(max(need, 0.0), 1.0)
        for k in range(bands):
            gains[f, k] *= need
