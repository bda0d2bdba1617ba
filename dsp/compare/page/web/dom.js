// SPDX-License-Identifier: GPL-3.0-or-later
// Elements. What the user named goes in as text, never as markup.

export const byId = (id) => document.getElementById(id);

// `props`: `class`, `on` (listeners by event), anything else is an attribute; true sets it empty,
// false and null leave it out. Children are nodes or text.
export function el(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (name === "on") {
      for (const [event, act] of Object.entries(value)) node.addEventListener(event, act);
    } else if (value !== false && value !== null && value !== undefined) {
      node.setAttribute(name, value === true ? "" : String(value));
    }
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return node;
}

export function button(label, act, props = {}) {
  return el("button", { type: "button", ...props, on: { click: act } }, label);
}

// Words for a screen reader, and for all in the line under the controls.
export function say(words) {
  byId("say").textContent = words;
}

// A row of buttons of which one is pressed. `items` are {value, label, key, describe}.
export function choice(items, act) {
  const buttons = items.map(({ value, label, key, describe }) =>
    button([el("span", {}, label), key ? el("kbd", {}, key) : null], () => act(value), {
      "aria-pressed": "false", title: describe || null, "aria-keyshortcuts": key || null,
      class: "choice" }));
  return {
    buttons,
    press(value) {
      buttons.forEach((one, i) =>
        one.setAttribute("aria-pressed", String(items[i].value === value)));
    },
  };
}

export const signed = (value, places = 1) =>
  (value < 0 && Number(value.toFixed(places)) !== 0 ? "−" : "") +
  Math.abs(value).toFixed(places);

// Minutes and seconds with so many decimals.
export function clock(seconds, places = 2) {
  const units = Math.round(seconds * 10 ** places);
  const minutes = Math.floor(units / (60 * 10 ** places));
  const rest = (units - minutes * 60 * 10 ** places) / 10 ** places;
  return `${minutes}:${rest.toFixed(places).padStart(places ? 3 + places : 2, "0")}`;
}

export function saveFile(name, value) {
  const text = `${JSON.stringify(value, null, 2)}\n`;
  const url = URL.createObjectURL(new Blob([text], { type: "application/json" }));
  const link = el("a", { href: url, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(url), 10000);
}
