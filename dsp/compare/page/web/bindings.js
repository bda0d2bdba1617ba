// SPDX-License-Identifier: GPL-3.0-or-later
// Which key does what.

import { byId, say } from "./dom.js";

const DIGITS = ["1", "2", "3", "4", "5", "6", "7", "8", "9"];

export function bindings(data, { controls, listening, view, blind, ranked, nextTheme }) {
  const sighted = () => !controls.blind;
  const testing = () => Boolean(blind.test);
  const sorting = () => Boolean(ranked.rank);
  const step = (seconds) => () => listening.seek(listening.position() + seconds * data.rate);
  const strokes = [...new Set(Object.values(data.hits).flatMap((hits) => hits.onset))]
    .sort((a, b) => a - b);
  const toStroke = (forward) => {
    const margin = 0.03 * data.rate;
    const lead = 0.01 * data.rate;
    const now = listening.position() + lead;
    const next = forward ? strokes.find((at) => at > now + margin)
      : strokes.findLast((at) => at < now - margin);
    if (next !== undefined) listening.seek(next - lead);
  };
  const edge = (which) => {
    const now = listening.position();
    const range = listening.selection || [0, data.frames];
    listening.select(which === 0 ? [now, Math.max(range[1], now)] : [Math.min(range[0], now), now]);
    say(listening.selection ? `Selected ${byId("selected").textContent}` : "Too short to select");
  };
  const scroll = (id) => () => {
    byId(id).scrollIntoView();
    byId(id).focus({ preventScroll: true });
  };
  const cycleSound = () =>
    controls.hearSound(data.listen[(data.listen.indexOf(controls.sound) + 1) % data.listen.length]);
  return [
    { keys: ["Space"], words: "play or pause", act: () => controls.toggle() },
    { keys: DIGITS, words: "hear this variant", when: sighted,
      act: (key) => controls.hearVariant(Number(key) - 1) },
    { keys: ["n", "p"], words: "hear the next, the previous variant", when: sighted,
      act: (key) => {
        const count = data.variants.length;
        controls.hearVariant((controls.variant + (key === "n" ? 1 : count - 1)) % count);
      } },
    { keys: ["d"], words: "hear what was removed, or the variant again", when: sighted,
      act: () => controls.hearRemoved(!controls.removed) },
    { keys: ["h"], words: "hear the next track, or the sum", when: sighted, act: cycleSound },
    { keys: ["l"], words: "loop on or off", act: () => controls.toggleLoop() },
    { keys: ["s"], words: "the selection starts here", act: () => edge(0) },
    { keys: ["e"], words: "the selection ends here", act: () => edge(1) },
    { keys: ["c"], words: "clear the selection", act: () => {
      listening.select(null);
      say("Selection cleared");
    } },
    { keys: ["←"], words: "one second back", act: step(-1) },
    { keys: ["→"], words: "one second on", act: step(1) },
    { keys: [","], words: "previous stroke", act: () => toStroke(false) },
    { keys: ["."], words: "next stroke", act: () => toStroke(true) },
    { keys: ["Home"], words: "to the start", act: () => listening.seek(0) },
    { keys: ["v"], words: "volume up 2 dB", act: () => listening.setVolume(listening.volumeDb + 2) },
    { keys: ["Shift V"], words: "volume down 2 dB",
      act: () => listening.setVolume(listening.volumeDb - 2) },
    { keys: ["+", "="], words: "closer", when: sighted,
      act: () => view.zoom(0.5, listening.position()) },
    { keys: ["-"], words: "wider", when: sighted, act: () => view.zoom(2, listening.position()) },
    { keys: ["Shift ←"], words: "look earlier", when: sighted, act: () => view.pan(-0.5) },
    { keys: ["Shift →"], words: "look later", when: sighted, act: () => view.pan(0.5) },
    { keys: ["f"], words: "show the selection, or all", when: sighted,
      act: () => showSelection(view, listening) },
    { keys: ["m"], words: "colours: as the system, light, dark", act: () => nextTheme() },
    { keys: ["t"], words: "to the blind test", when: sighted, act: scroll("blind") },
    { keys: ["r"], words: "to the blind ranking", when: sighted, act: scroll("rank") },
    { keys: ["?", "k"], words: "to this list", when: sighted, act: scroll("keys") },
    { keys: ["a", "b", "x"], words: "in the blind test: hear A, B or X", when: testing,
      act: (key) => blind.hear(key.toUpperCase()) },
    { keys: ["Shift A", "Shift B"], words: "in the blind test: X is A, X is B", when: testing,
      act: (key) => blind.answer(key.at(-1)) },
    { keys: DIGITS, words: "in the ranking: hear this letter", when: sorting,
      act: (key) => ranked.hear(ranked.rank.labels[Number(key) - 1]) },
    { keys: ["Shift ↑", "Shift ↓"], words: "in the ranking: the letter you hear is better, worse",
      when: sorting, act: (key) => ranked.move(ranked.heard, key === "Shift ↑" ? -1 : 1) },
    { keys: ["Escape"], words: "stop the test or the ranking", act: () => {
      blind.stop();
      ranked.stop();
    } },
  ];
}

export function showSelection(view, listening) {
  const range = listening.selection;
  const all = view.to - view.from >= view.frames;
  if (range && (all || !(view.from <= range[0] && view.to >= range[1]))) {
    const room = 0.05 * (range[1] - range[0]);
    view.show(range[0] - room, range[1] + room);
  } else view.show(0, view.frames);
}
