// SPDX-License-Identifier: GPL-3.0-or-later
// While a blind test runs, only its own controls are on the page.

import { byId } from "./dom.js";

export function hideForTest(run, setup, controls) {
  controls.blind = true;
  controls.listening.pause();
  document.body.classList.add("testing");
  for (const node of document.querySelectorAll("[data-sighted]")) node.hidden = true;
  byId(setup).hidden = true;
  byId(run).hidden = false;
}

export function showAfterTest(run, setup, controls) {
  controls.blind = false;
  document.body.classList.remove("testing");
  for (const node of document.querySelectorAll("[data-sighted]")) node.hidden = false;
  byId(run).hidden = true;
  byId(setup).hidden = false;
  controls.useAll();
}
