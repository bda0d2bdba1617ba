// SPDX-License-Identifier: GPL-3.0-or-later
// While a blind test runs, only its own section is on the page, with the bar and the keys.

import { byId } from "./dom.js";

const OTHERS = { blind: "rank", rank: "blind" };

function swap(name, running) {
  for (const node of document.querySelectorAll("[data-sighted]")) node.hidden = running;
  byId(OTHERS[name]).hidden = running;
  byId(`${name}-setup`).hidden = running;
  byId(`${name}-run`).hidden = !running;
}

export function hideForTest(name, controls) {
  controls.blind = true;
  controls.listening.pause();
  swap(name, true);
}

export function showAfterTest(name, controls) {
  controls.blind = false;
  swap(name, false);
  controls.useAll();
}
