// SPDX-License-Identifier: GPL-3.0-or-later
// The measures, one table a track; raw and variants beside each other.

import { byId, el, signed } from "./dom.js";

const text = (value) => {
  if (value === null) return "unknown";
  const places = Math.abs(value) >= 100 ? 0 : Math.abs(value) >= 10 ? 1 : 2;
  return signed(value, places);
};

export function showMeasures(data) {
  const tracks = [...new Set(data.measures.map((row) => row.track))];
  if (tracks.length === 0) byId("measures").hidden = true;
  for (const track of tracks) {
    const head = el("tr", {}, el("th", { scope: "col" }, "measure"),
      ...data.variants.map(({ name }) => el("th", { scope: "col", class: "number" }, name)));
    const rows = data.measures.filter((row) => row.track === track).map((row) =>
      el("tr", {},
        el("th", { scope: "row" }, row.name, row.unit ? el("span", { class: "unit" }, ` ${row.unit}`)
          : null, el("small", {}, row.meaning)),
        ...row.values.map((value) => el("td", { class: "number" }, text(value)))));
    const table = el("table", {}, el("caption", {}, track), el("thead", {}, head),
      el("tbody", {}, ...rows));
    byId("measures").append(el("div", { class: "wide", tabindex: "0", role: "region",
      "aria-label": `measures of ${track}` }, table));
  }
}

export function showNotes(data) {
  const list = byId("notes-list");
  const gains = (variant) => data.listen.map((name) =>
    `${name} ${signed(variant.match_db[name], 2)} dB`).join(", ");
  list.append(el("p", {}, data.match));
  list.append(el("ul", {}, ...data.notes.map((note) => el("li", {}, note))));
  list.append(el("dl", {}, ...data.variants.flatMap((variant) => [
    el("dt", {}, variant.name),
    el("dd", {}, ...(variant.about ? [variant.about, el("br")] : []),
      `gain by matching: ${gains(variant)}`,
      variant.notes.length
        ? el("ul", {}, ...variant.notes.map((note) => el("li", {}, note))) : null)])));
}
