// SPDX-License-Identifier: GPL-3.0-or-later
// The page for tests: the same modules, what they give within reach of a test, and a `random`
// whose draws the test chooses.

import { Player, BLOCK } from "./player.js";
import { difference, levels, playable } from "./difference.js";
import { atLeast, meaning, needed } from "./chance.js";
import { below, ranking, shuffled, trials } from "./draws.js";
import { averages, pyramid, waveColumns } from "./waves.js";
import { View } from "./view.js";
import { start } from "./start.js";

// Render paths offline. `switches`: {name, at} in frames; `live` asks for them while rendering.
// `again`: the frame at which all paths are replaced by the same ones and started anew.
async function render({ sounds, first, frame, loop, switches, frames, rate, live, again }) {
  const channels = Math.max(...Object.values(sounds).map((sound) => sound.length));
  const context = new OfflineAudioContext(channels, frames, rate);
  const player = new Player(context);
  const begin = () => {
    player.use(Object.entries(sounds).map(([name, sound]) =>
      [name, sound.map((channel) => Float32Array.from(channel))]));
    player.select(first);
    player.start(frame, loop);
  };
  begin();
  if (again) context.suspend(again / rate).then(() => {
    begin();
    context.resume();
  });
  for (const { name, at } of switches) {
    if (!live) player.select(name, at / rate);
    else context.suspend(at / rate).then(() => {
      player.select(name);
      context.resume();
    });
  }
  const done = await context.startRendering();
  return Array.from({ length: channels }, (_, c) => Array.from(done.getChannelData(c)));
}

const draws = [];
globalThis.draws = draws;
globalThis.parts = { Player, BLOCK, difference, levels, playable, atLeast, meaning, needed, below,
  ranking, shuffled, trials, averages, pyramid, waveColumns, View, render };
globalThis.page = start(() => {
  if (draws.length === 0) draws.push(crypto.getRandomValues(new Uint32Array(1))[0]);
  return draws.shift();
});
