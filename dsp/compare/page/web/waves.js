// SPDX-License-Identifier: GPL-3.0-or-later
// Waveforms and curves reduced to what a screen can show, without losing an extreme.

const LEAF = 64; // frames in the finest block that is kept

// Lowest and highest value of every block of 64 frames, then of 4 blocks, and so on.
export function pyramid(sound) {
  const frames = sound[0].length;
  let count = Math.ceil(frames / LEAF);
  let low = new Float32Array(count).fill(Infinity);
  let high = new Float32Array(count).fill(-Infinity);
  for (const channel of sound) {
    for (let k = 0; k < count; k++) {
      const stop = Math.min(frames, (k + 1) * LEAF);
      for (let i = k * LEAF; i < stop; i++) {
        if (channel[i] < low[k]) low[k] = channel[i];
        if (channel[i] > high[k]) high[k] = channel[i];
      }
    }
  }
  const floors = [{ size: LEAF, low, high }];
  while (count > 1024) {
    count = Math.ceil(count / 4);
    const below = floors.at(-1);
    low = Float32Array.from({ length: count }, (_, k) =>
      Math.min(...below.low.subarray(4 * k, 4 * k + 4)));
    high = Float32Array.from({ length: count }, (_, k) =>
      Math.max(...below.high.subarray(4 * k, 4 * k + 4)));
    floors.push({ size: below.size * 4, low, high });
  }
  return { sound, floors };
}

// Positions, highest and lowest values of about `columns` columns from frame `from` to `to`.
export function waveColumns(wave, from, to, columns) {
  const per = (to - from) / columns;
  const floor = [...wave.floors].reverse().find((one) => one.size <= per);
  const size = floor ? floor.size : 1;
  const stride = Math.max(1, Math.floor(per / size)) * size;
  const frames = wave.sound[0].length;
  const first = Math.max(0, Math.floor(from / stride) * stride);
  const at = [];
  const high = [];
  const low = [];
  for (let a = first; a < Math.min(frames, to + stride); a += stride) {
    let most = -Infinity;
    let least = Infinity;
    if (floor) {
      const stop = Math.min(floor.low.length, (a + stride) / size);
      for (let k = a / size; k < stop; k++) {
        most = Math.max(most, floor.high[k]);
        least = Math.min(least, floor.low[k]);
      }
    } else {
      for (const channel of wave.sound) {
        for (let i = a; i < Math.min(frames, a + stride); i++) {
          most = Math.max(most, channel[i]);
          least = Math.min(least, channel[i]);
        }
      }
    }
    at.push(a + (stride - 1) / 2);
    high.push(most);
    low.push(least);
  }
  return [at, high, low];
}

// Average gain of each band in even columns of time; `at` rises, `db` is (points, bands) in one
// array, gains run straight between points. The result is (bands, columns) in one array.
export function averages(at, db, bands, from, to, columns) {
  const out = new Float64Array(bands * columns);
  const width = (to - from) / columns;
  let k = 0;
  for (let c = 0; c < columns; c++) {
    let x = from + c * width;
    const end = x + width;
    while (k < at.length - 2 && at[k + 1] <= x) k++;
    for (let i = k; x < end; i++) {
      const last = i >= at.length - 2;
      const stop = last ? end : Math.min(end, at[i + 1]);
      const span = at[i + 1] - at[i] || 1;
      const middle = Math.max(0, Math.min(1, ((x + stop) / 2 - at[i]) / span));
      for (let b = 0; b < bands; b++) {
        const left = db[i * bands + b];
        const value = left + (db[(i + 1) * bands + b] - left) * middle;
        out[b * columns + c] += (value * (stop - x)) / width;
      }
      x = stop;
    }
  }
  return out;
}

// The numbers of a lane, from base64 text.
export function laneNumbers(lane, bytesFromText) {
  const at = new Int32Array(bytesFromText(lane.at).buffer);
  const steps = new Int16Array(bytesFromText(lane.db).buffer);
  return { at, db: Float64Array.from(steps, (step) => step / 100) };
}
