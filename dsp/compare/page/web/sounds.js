// SPDX-License-Identifier: GPL-3.0-or-later
// The sounds in the page: decoded at the take's own rate, so that nothing is resampled.
// A sound is an array of channels, each a Float32Array.

export function bytesFromText(text) {
  const binary = atob(text);
  const bytes = new Uint8Array(binary.length);
  for (let i = 0; i < binary.length; i++) bytes[i] = binary.charCodeAt(i);
  return bytes;
}

export const amplitude = (db) => 10 ** (db / 20);

async function decoded(id, rate, frames) {
  const holder = document.getElementById(id);
  const bytes = bytesFromText(holder.textContent);
  holder.remove(); // its text is not needed twice
  const buffer = await new OfflineAudioContext(1, 1, rate).decodeAudioData(bytes.buffer);
  if (buffer.length !== frames || buffer.sampleRate !== rate) {
    throw new Error(`the browser decoded ${buffer.length} frames at ${buffer.sampleRate} Hz; ` +
      `expected ${frames} at ${rate} Hz`);
  }
  const channels = [];
  for (let c = 0; c < buffer.numberOfChannels; c++) channels.push(buffer.getChannelData(c));
  return channels;
}

// The tracks of a variant added as printed, then matched as the sum is.
export function sumOf(parts, gainsDb, sumDb) {
  const gains = gainsDb.map((db) => amplitude(sumDb - db));
  return parts[0].map((_, c) => {
    const total = new Float32Array(parts[0][c].length);
    for (let i = 0; i < total.length; i++) {
      let value = 0;
      for (let p = 0; p < parts.length; p++) value += parts[p][c][i] * gains[p];
      total[i] = value;
    }
    return total;
  });
}

// All sounds: one Map a variant, from the name of the sound to its channels.
export async function loadSounds(data) {
  const load = async (variant) => {
    const names = data.listen.filter((name) => variant.sounds[name]);
    const sounds = await Promise.all(
      names.map((name) => decoded(variant.sounds[name], data.rate, data.frames)));
    const found = new Map(names.map((name, i) => [name, sounds[i]]));
    for (const name of data.listen) {
      if (found.has(name)) continue;
      const gains = names.map((track) => variant.match_db[track]);
      found.set(name, sumOf(names.map((track) => found.get(track)), gains, variant.match_db[name]));
    }
    return found;
  };
  return Promise.all(data.variants.map(load));
}
