// SPDX-License-Identifier: GPL-3.0-or-later
// What one variant has that another has not: sample by sample, as printed, matching undone.

import { amplitude } from "./sounds.js";

// `from` minus `minus`; gains in dB are those that matching put in. Float64: `from` as printed less
// the difference is `minus` as printed. A sound with one channel stands for all of the other's.
export function difference(from, fromDb, minus, minusDb) {
  const a = amplitude(-fromDb);
  const b = amplitude(-minusDb);
  const count = Math.max(from.length, minus.length);
  return Array.from({ length: count }, (_, c) => {
    const x = from[Math.min(c, from.length - 1)];
    const y = minus[Math.min(c, minus.length - 1)];
    const out = new Float64Array(x.length);
    for (let i = 0; i < out.length; i++) out[i] = x[i] * a - y[i] * b;
    return out;
  });
}

export function peakOf(sound) {
  let peak = 0;
  for (const channel of sound) {
    for (let i = 0; i < channel.length; i++) {
      const value = Math.abs(channel[i]);
      if (value > peak) peak = value;
    }
  }
  return peak;
}

// The difference as it is played: as loud as `from` is, lower only where it would not fit.
export function playable(sound, fromDb) {
  const peak = peakOf(sound) * amplitude(fromDb);
  const gain = amplitude(fromDb) / Math.max(1, peak);
  const channels = sound.map((channel) => Float32Array.from(channel, (value) => value * gain));
  return { channels, loweredDb: peak > 1 ? 20 * Math.log10(peak) : 0 };
}

// Peak level in dBFS of every `block` samples, over all channels; silence is `floor`.
export function levels(sound, block, gainDb = 0, floor = -120) {
  const count = Math.ceil(sound[0].length / block);
  const out = new Float64Array(count);
  for (const channel of sound) {
    for (let k = 0; k < count; k++) {
      const stop = Math.min(channel.length, (k + 1) * block);
      for (let i = k * block; i < stop; i++) {
        const value = Math.abs(channel[i]);
        if (value > out[k]) out[k] = value;
      }
    }
  }
  return out.map((value) => (value > 0 ? Math.max(floor, 20 * Math.log10(value) + gainDb) : floor));
}
