// SPDX-License-Identifier: GPL-3.0-or-later
// Which rows the timeline has: strokes, waveforms, what was removed, and every step's lanes.

import { byId, el, signed } from "./dom.js";
import { levels, peakOf } from "./difference.js";
import { gainRow, heatRow, hitsRow, levelRow, rulerRow, waveRow } from "./plots.js";
import { bytesFromText } from "./sounds.js";
import { laneNumbers, pyramid } from "./waves.js";

const LEVEL_S = 0.005; // what was removed is shown as the peak level of such blocks

export function addRows(timeline, data, controls) {
  timeline.add(byId("ruler"), "time", "of the take, min:s", rulerRow(data));
  addStrokes(timeline, data);
  data.variants.forEach((variant, i) => addLanes(timeline, data, variant, i));
  const waves = data.variants.map(({ name }) =>
    timeline.add(byId("waves"), name, "loading", { height: 64, make: () => null }));
  const removed = timeline.add(byId("removed-rows"), "level", "loading",
    { height: 110, make: () => null });
  const pyramids = new Map();
  const showWaves = () => {
    const { sound, loaded } = controls;
    const all = loaded.map((sounds) => sounds.get(sound));
    if (!pyramids.has(sound)) pyramids.set(sound, all.map(pyramid));
    const peaks = pyramids.get(sound).map(({ floors }) =>
      peakOf([floors.at(-1).low, floors.at(-1).high]));
    const top = Math.max(1e-4, ...peaks);
    waves.forEach((row, i) => timeline.put(row, waveRow(pyramids.get(sound)[i], top),
      `waveform of ${sound}, matched; ` +
      (peaks[i] > 0 ? `peak ${signed(20 * Math.log10(peaks[i]))} dBFS` : "silence")));
  };
  let shown = [];
  return () => {
    waves.forEach((row, i) => row.element.classList.toggle("heard",
      !controls.removed && i === controls.variant));
    const now = [controls.sound, ...controls.pair];
    if (!controls.loaded || now.every((value, i) => value === shown[i])) return;
    if (shown[0] !== controls.sound) showWaves();
    shown = now;
    showRemoved(timeline, removed, data, controls);
  };
}

function showRemoved(timeline, row, data, controls) {
  const [a, b] = controls.pair;
  const block = Math.round(LEVEL_S * data.rate);
  const undo = -data.variants[a].match_db[controls.sound];
  const from = levels(controls.loaded[a].get(controls.sound), block, undo);
  const gone = levels(controls.removedSound(), block);
  const peak = gone.reduce((most, db) => Math.max(most, db), -120);
  const names = [a, b].map((i) => data.variants[i].name);
  const most = peak <= -120 ? "nothing: they are equal" : `at most ${signed(peak)} dBFS`;
  timeline.put(row, levelRow(from, gone, block),
    `${controls.sound}: ${names[0]} as printed, line; ${names[0]} minus ${names[1]}, ` +
    `filled, ${most}`);
}

function addStrokes(timeline, data) {
  const parent = byId("strokes");
  const groups = new Map(); // tracks that share their strokes share a row
  for (const [track, hits] of Object.entries(data.hits)) {
    const key = JSON.stringify(hits);
    groups.set(key, [...(groups.get(key) || []), track]);
  }
  for (const [key, tracks] of groups) {
    const hits = JSON.parse(key);
    const ghosts = hits.ghost.filter(Boolean).length;
    timeline.add(parent, `strokes, ${tracks.join(", ")}`,
      `${hits.ghost.length - ghosts} full, up, filled; ${ghosts} ghost, down, open`,
      hitsRow(hits, timeline.time));
  }
}

function addLanes(timeline, data, variant, i) {
  const lanes = Object.entries(variant.lanes).flatMap(([track, steps]) =>
    steps.map((lane) => ({ track, lane })));
  if (lanes.length === 0) return;
  const body = el("div");
  byId("lanes").append(el("details", { open: true, class: "group" },
    el("summary", {}, el("h3", {}, `${i + 1} ${variant.name}`), el("small", {}, variant.about)),
    body));
  for (const { track, lane } of lanes) {
    const { at, db } = laneNumbers(lane, bytesFromText);
    if (lane.crossovers_hz) {
      const row = heatRow(lane, at, db, data.rate);
      timeline.add(body, `${track}: ${lane.name}`,
        `${span(db)}, ${lane.bands.length} bands, full colour at ${signed(row.largest)} dB; ` +
        lane.summary, row);
      continue;
    }
    const bands = lane.bands.map((_, b) =>
      Float64Array.from(at, (__, k) => db[k * lane.bands.length + b]));
    if (bands.every((values) => values.every((value) => value === values[0]))) {
      timeline.add(body, `${track}: ${lane.name}`, `stands still; ${lane.summary}`,
        gainRow(at, ...bands));
      continue;
    }
    bands.forEach((values, b) => {
      const band = lane.bands[b];
      const shape = lane.shapes
        ? `${band}, ${lane.shapes[b].shape} at ${Math.round(lane.shapes[b].at_hz)} Hz: ` : "";
      timeline.add(body, `${track}: ${lane.name}`,
        `${shape}${span(values)}${b === 0 ? `; ${lane.summary}` : ""}`, gainRow(at, values));
    });
  }
}

function span(values) {
  let low = Infinity;
  let high = -Infinity;
  for (const value of values) {
    low = Math.min(low, value);
    high = Math.max(high, value);
  }
  const words = [signed(low), signed(high)];
  return words[0] === words[1] ? `${words[0]} dB throughout` : `${words.join(" to ")} dB`;
}
