// SPDX-License-Identifier: GPL-3.0-or-later
// The keyboard: one list that both acts and is shown on the page.

import { byId, el } from "./dom.js";

// Names of keys as they are shown: "Space", "Shift →", "a", "Shift A".
export function nameOf(event) {
  const names = { " ": "Space", ArrowLeft: "←", ArrowRight: "→", ArrowUp: "↑", ArrowDown: "↓" };
  const drawn = /^Key([A-Z])$/.exec(event.code); // for keyboards with other letters
  const name = names[event.key] || (event.key > "~" && drawn ? drawn[1] : event.key);
  if (name.length === 1 && /[a-z]/i.test(name)) {
    return event.shiftKey ? `Shift ${name.toUpperCase()}` : name.toLowerCase();
  }
  return event.shiftKey && (name.length > 1 || /[←→↑↓]/.test(name)) ? `Shift ${name}` : name;
}

// Keys that a control needs itself; null: all of them.
const KEPT = [
  ["select, input:not([type=range], [type=checkbox])", null],
  ["[type=range]", /←|→|↑|↓|Home|End|Page/],
  ["button, a, summary, [type=checkbox]", /^(Space|Enter)$/],
];

// `bindings`: {keys, words, act(key), when()} in the order in which they are shown.
export function setUpKeys(bindings) {
  const on = byId("keys-on");
  document.addEventListener("keydown", (event) => {
    if (!on.checked || event.ctrlKey || event.metaKey || event.altKey) return;
    const { target } = event;
    const name = nameOf(event);
    if (KEPT.some(([control, keys]) => target.closest(control) && (!keys || keys.test(name)))) return;
    const found = bindings.find((one) => one.keys.includes(name) && (!one.when || one.when()));
    if (!found) return;
    event.preventDefault();
    found.act(name);
  });
  // A button pressed by hand does not keep the focus: the space bar then plays, as everywhere.
  document.addEventListener("click", (event) => {
    const pressed = event.target.closest("button");
    if (event.detail > 0 && pressed && pressed === document.activeElement) pressed.blur();
  });
  byId("keys-list").append(...bindings.map(({ keys, words }) => el("div", {},
    el("dt", {}, ...(keys.length > 4 ? [keys[0], "…", keys.at(-1)] : keys).map((key) =>
      el("kbd", {}, key))),
    el("dd", {}, words))));
}
