// SPDX-License-Identifier: GPL-3.0-or-later
// What stands in one row of the timeline, drawn with uPlot. `view` is {from, to} in frames;
// `time(frame)` gives seconds of the take.

import { channelsOf } from "./colours.js";
import { clock, signed } from "./dom.js";
import { averages, waveColumns } from "./waves.js";

export const LEFT = 58; // pixels left of every plot, for its axis
export const RIGHT = 10;

const FONT = "12px system-ui, sans-serif";

export function plot(node, width, height, { y, axis, series, data, hooks, look, time, view, top }) {
  const line = { stroke: look.hair, width: 1 };
  const options = {
    width, height, series: [{}, ...series],
    pxAlign: 0, legend: { show: false }, cursor: { show: false }, select: { show: false },
    padding: [top ? 0 : 5, RIGHT, 5, axis ? 0 : LEFT],
    scales: {
      x: { time: false, range: () => [time(view.from), time(view.to)] },
      y: { range: () => y },
    },
    axes: [
      { show: Boolean(top), side: 0, size: 30, font: FONT, stroke: look.soft, grid: line,
        ticks: line, space: 80, values: (_, at, __, ___, step) => at.map((s) => clock(s, places(step))) },
      { show: Boolean(axis), size: LEFT, font: FONT, stroke: look.soft, gap: 4, grid: line,
        ticks: { show: false }, ...axis },
    ],
    hooks: hooks || {},
  };
  return new uPlot(options, data, node);
}

export const places = (step) => Math.max(0, Math.min(4, -Math.floor(Math.log10(step) + 1e-9)));

// Fills that are one colour under 0 dB and another above.
function split(u, below, above) {
  const zero = u.valToPos(0, "y", true);
  const { top, height } = u.bbox;
  const share = Math.max(0, Math.min(1, (zero - top) / height));
  const gradient = u.ctx.createLinearGradient(0, top, 0, top + height);
  for (const [at, colour] of [[0, above], [share, above], [share, below], [1, below]]) {
    gradient.addColorStop(at, colour);
  }
  return gradient;
}

const tint = (colour, alpha) => `rgba(${channelsOf(colour).join(", ")}, ${alpha})`;

export const rulerRow = (data) => ({
  height: 36,
  make: (node, width, look, view, time) => plot(node, width, 36, {
    y: [0, 1], top: true, series: [{ show: false }], look, time, view,
    data: [[time(0), time(data.frames)], [0, 0]] }),
});

export function waveRow(wave, top) {
  const words = `${signed(20 * Math.log10(top))}`;
  const columns = (view, time, width) => {
    const [at, high, low] = waveColumns(wave, view.from, view.to, Math.max(200, width));
    return [at.map(time), high, low];
  };
  return {
    height: 64,
    make: (node, width, look, view, time) => plot(node, width, 64, {
      y: [-1.2 * top, 1.2 * top], look, time, view, data: columns(view, time, width),
      axis: { splits: () => [-top, 0, top], values: () => ["", "", words] },
      series: [{ stroke: look.wave, width: 1, points: { show: false } },
        { stroke: look.wave, width: 1, points: { show: false } }],
      hooks: { init: [(u) => u.addBand({ series: [1, 2], fill: look.wave })] } }),
    update: (u, view, time) => u.setData(columns(view, time, u.width), false),
  };
}

const STEPS_DB = [1, 2, 3, 6, 12, 24, 48];

function dbTicks(low, high, most) {
  const step = STEPS_DB.find((s) => (high - low) / s <= most) || 96;
  const ticks = [];
  for (let db = Math.ceil(low / step) * step; db <= high; db += step) ticks.push(db);
  return ticks;
}

// Bands of a gain curve as lines over 0 dB; each of `bands` is dB at the frames `at`.
export function gainRow(at, ...bands) {
  let low = 0;
  let high = 0;
  for (const db of bands.flatMap((values) => [...values])) {
    low = Math.min(low, db);
    high = Math.max(high, db);
  }
  const reach = Math.max(6, high - low);
  const room = [low < 0 || high === 0 ? low - reach * 0.08 : -0.5, high + reach * 0.08];
  if (room[1] - room[0] < 6) room[low < 0 ? 0 : 1] += low < 0 ? -3 : 3;
  const height = Math.round(Math.max(52, Math.min(104, 4.5 * (room[1] - room[0]))));
  const ticks = dbTicks(...room, height / 18);
  return {
    height,
    make: (node, width, look, view, time) => plot(node, width, height, {
      y: room, look, time, view, data: [Array.from(at, time), ...bands],
      axis: { splits: () => ticks, values: () => ticks.map((db) => signed(db, 0)) },
      series: bands.map(() => ({ width: 1.5, points: { show: false }, fillTo: () => 0,
        stroke: (u) => split(u, look.cut, look.lift),
        fill: (u) => split(u, tint(look.cut, 0.25), tint(look.lift, 0.3)) })) }),
  };
}

// Many bands as colour, frequency upwards by octaves.
export function heatRow(lane, at, db, rate) {
  const edges = lane.crossovers_hz;
  const bands = edges.length + 1;
  const height = Math.max(104, Math.min(150, 10 * bands));
  const bottom = edges[0] / 2;
  const top = Math.max(Math.min(edges.at(-1) * 2, rate / 2), edges.at(-1) * 1.1);
  const bounds = [bottom, ...edges, top].map(Math.log2);
  let largest = 3;
  for (const value of db) largest = Math.max(largest, Math.abs(value));
  const marks = [50, 100, 200, 500, 1000, 2000, 5000, 10000]
    .filter((hz) => hz > bottom * 1.1 && hz < top * 0.95);
  const shown = marks.filter((_, i) => i % 2 === marks.length % 2 || marks.length < 6);
  const draw = (view, look) => (u) => {
    const columns = Math.max(1, Math.round(u.bbox.width / devicePixelRatio));
    const gains = averages(at, db, bands, view.from, view.to, columns);
    const image = new ImageData(columns, bands);
    const cut = channelsOf(look.cut);
    const lift = channelsOf(look.lift);
    for (let i = 0; i < gains.length; i++) {
      const band = Math.floor(i / columns);
      const pixel = 4 * ((bands - 1 - band) * columns + (i % columns));
      image.data.set(gains[i] < 0 ? cut : lift, pixel);
      image.data[pixel + 3] = Math.round(255 * Math.min(1, Math.abs(gains[i]) / largest));
    }
    const small = new OffscreenCanvas(columns, bands);
    small.getContext("2d").putImageData(image, 0, 0);
    u.ctx.imageSmoothingEnabled = false;
    for (let b = 0; b < bands; b++) {
      const y0 = u.valToPos(bounds[b + 1], "y", true);
      const y1 = u.valToPos(bounds[b], "y", true);
      u.ctx.drawImage(small, 0, bands - 1 - b, columns, 1, u.bbox.left, y0, u.bbox.width, y1 - y0);
    }
  };
  return {
    height,
    largest,
    make: (node, width, look, view, time) => plot(node, width, height, {
      y: [bounds[0], bounds.at(-1)], look, time, view, series: [{ show: false }],
      data: [[time(0), time(1)], [0, 0]],
      axis: { splits: () => shown.map(Math.log2), grid: { show: false },
        values: () => shown.map((hz) => (hz < 1000 ? `${hz} Hz` : `${hz / 1000} kHz`)) },
      hooks: { drawAxes: [draw(view, look)] } }),
  };
}

// Strokes: full ones stand on the line with a filled head, ghosts hang from it with an open one.
export function hitsRow(hits, time) {
  const height = 70;
  const draw = (look) => (u) => {
    const { ctx } = u;
    const dot = devicePixelRatio;
    const line = u.bbox.top + u.bbox.height * 0.62;
    ctx.save();
    ctx.beginPath();
    ctx.rect(u.bbox.left, 0, u.bbox.width, u.ctx.canvas.height);
    ctx.clip();
    ctx.strokeStyle = look.ink;
    ctx.lineWidth = dot;
    ctx.strokeRect(u.bbox.left - 9, line, u.bbox.width + 18, 0);
    hits.onset.forEach((frame, i) => {
      const x = u.valToPos(time(frame), "x", true);
      if (x < u.bbox.left - 9 || x > u.bbox.left + u.bbox.width + 9) return;
      const share = Math.max(0.1, Math.min(1, ((hits.strength_db[i] ?? -42) + 42) / 42));
      const ghost = hits.ghost[i];
      const tip = line + (ghost ? 0.3 : -0.52 * share) * u.bbox.height * (ghost ? share : 1);
      ctx.beginPath();
      ctx.moveTo(x, line);
      ctx.lineTo(x, tip);
      ctx.stroke();
      ctx.beginPath();
      if (ghost) ctx.arc(x, tip, 3 * dot, 0, 2 * Math.PI);
      else {
        ctx.moveTo(x - 3.5 * dot, tip + 2.5 * dot);
        ctx.lineTo(x, tip - 4 * dot);
        ctx.lineTo(x + 3.5 * dot, tip + 2.5 * dot);
        ctx.closePath();
      }
      ctx.fillStyle = ghost ? look.lane : look.ink;
      ctx.fill();
      ctx.stroke();
    });
    ctx.restore();
  };
  return {
    height,
    make: (node, width, look, view, at) => plot(node, width, height, {
      y: [0, 1], look, time: at, view, series: [{ show: false }], data: [[at(0), at(1)], [0, 0]],
      hooks: { draw: [draw(look)] } }),
  };
}

// Levels over time: the first as a line, the second filled. Blocks of `block` frames.
export function levelRow(first, second, block) {
  const height = 110;
  const room = [-90, 0];
  return {
    height,
    make: (node, width, look, view, time) => plot(node, width, height, {
      y: room, look, time, view,
      data: [Array.from(first, (_, i) => time((i + 0.5) * block)), second, first],
      axis: { splits: () => [-90, -60, -30, 0], values: () => ["−90", "−60", "−30", "0"] },
      series: [{ width: 0, points: { show: false }, fill: tint(look.cut, 0.5),
        fillTo: () => room[0] },
      { stroke: look.ink, width: 1, points: { show: false } }] }),
  };
}
