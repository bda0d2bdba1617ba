// SPDX-License-Identifier: GPL-3.0-or-later
// Bring the page to life. `random` draws for the blind tests.

import { bindings, showSelection } from "./bindings.js";
import { BlindRanking } from "./rank.js";
import { BlindTest } from "./blind.js";
import { Controls } from "./controls.js";
import { Listening } from "./listening.js";
import { Timeline } from "./timeline.js";
import { View } from "./view.js";
import { addRows } from "./rows.js";
import { byId, el, say } from "./dom.js";
import { loadSounds } from "./sounds.js";
import { setUpKeys } from "./keys.js";
import { setUpTheme } from "./colours.js";
import { showMeasures, showNotes } from "./measures.js";

export async function start(random) {
  const data = JSON.parse(byId("data").textContent);
  const listening = new Listening(data.rate, data.frames);
  const view = new View(data.frames, data.rate);
  const timeline = new Timeline(data, view, listening);
  const controls = new Controls(data, listening, timeline.time);
  const refresh = addRows(timeline, data, controls);
  controls.changed = refresh;
  showMeasures(data);
  showNotes(data);
  const blind = new BlindTest(data, controls, random);
  const ranked = new BlindRanking(data, controls, random);
  const nextTheme = setUpTheme(() => timeline.rebuild());
  setUpKeys(bindings(data, { controls, listening, view, blind, ranked, nextTheme }));
  setUpView(view, listening);
  setUpPair(data, controls);
  follow(timeline, controls);
  new ResizeObserver(([{ target }]) =>
    document.documentElement.style.setProperty("--bar", `${target.offsetHeight}px`)
  ).observe(byId("bar"));
  listening.onChange(() => timeline.ask());
  refresh();
  try {
    controls.ready(await loadSounds(data));
    say("Ready. The volume starts low.");
  } catch (error) {
    say(`The sound cannot be decoded by this browser: ${error.message}`);
    throw error;
  }
  return { data, listening, view, controls, blind, ranked };
}

function setUpView(view, listening) {
  const on = (id, act) => byId(id).addEventListener("click", act);
  on("closer", () => view.zoom(0.5, listening.position()));
  on("wider", () => view.zoom(2, listening.position()));
  on("earlier", () => view.pan(-0.5));
  on("later", () => view.pan(0.5));
  on("fit", () => showSelection(view, listening));
  on("unselect", () => listening.select(null));
}

function setUpPair(data, controls) {
  const boxes = ["pair-from", "pair-minus"].map(byId);
  boxes.forEach((box, which) => {
    data.variants.forEach(({ name }, i) =>
      box.append(el("option", { value: i, selected: i === controls.pair[which] }, name)));
    box.addEventListener("change", () =>
      controls.setPair(boxes.map((one) => Number(one.value))));
  });
}

// The line that shows the place moves while sound plays, and the view turns the page with it.
function follow(timeline, controls) {
  const { listening, view } = timeline;
  const tick = () => {
    if (listening.playing) {
      const now = listening.position();
      if (!controls.blind) {
        if (listening.playing && !view.holds(now)) view.show(now, now + view.to - view.from);
        timeline.place();
      }
      controls.showPlace();
    }
    requestAnimationFrame(tick);
  };
  requestAnimationFrame(tick);
}
