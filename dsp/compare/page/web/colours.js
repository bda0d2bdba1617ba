// SPDX-License-Identifier: GPL-3.0-or-later
// The page's colours for what is drawn on a canvas, and the switch between light and dark.

import { byId, say } from "./dom.js";

const NAMES = ["ink", "soft", "hair", "lane", "cut", "lift", "wave", "accent"];
const THEMES = ["auto", "light", "dark"];

// Colours as the style sheet has them now, by name, each "rgb(r, g, b)".
export function colours() {
  const probe = document.createElement("i");
  document.body.append(probe);
  const found = {};
  for (const name of NAMES) {
    probe.style.color = `var(--${name})`;
    found[name] = getComputedStyle(probe).color;
  }
  probe.remove();
  return found;
}

export const channelsOf = (colour) => colour.match(/[\d.]+/g).slice(0, 3).map(Number);

export function setUpTheme(redraw) {
  const control = byId("theme");
  const show = (theme) => {
    if (theme === "auto") document.documentElement.removeAttribute("data-theme");
    else document.documentElement.setAttribute("data-theme", theme);
    control.textContent = `Colours: ${theme === "auto" ? "as the system" : theme}`;
    redraw();
  };
  let theme = "auto";
  const next = () => {
    theme = THEMES[(THEMES.indexOf(theme) + 1) % THEMES.length];
    show(theme);
    say(control.textContent);
  };
  control.addEventListener("click", next);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  show(theme);
  return next;
}
