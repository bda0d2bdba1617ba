// SPDX-License-Identifier: GPL-3.0-or-later
// The measures, one table a track; raw and variants beside each other.

import { byId, el, signed } from "./dom.js";

// Values come as they are written in the other reports; null is one that is not known.
const cell = (value) => (value === null
  ? el("td", { class: "number" }, el("span", { role: "img", "aria-label": "unknown" }, "–"))
  : el("td", { class: "number" }, value));

export function showMeasures(data) {
  const tracks = [...new Set(data.measures.map((row) => row.track))];
  byId("measures").classList.toggle("empty", tracks.length === 0);
  tracks.forEach((track, i) => {
    const head = el("tr", {}, el("th", { scope: "col" }, "measure"),
      ...data.variants.map(({ name }) => el("th", { scope: "col", class: "number" }, name)));
    const rows = data.measures.filter((row) => row.track === track).map((row) =>
      el("tr", {},
        el("th", { scope: "row" }, row.name, row.unit ? el("span", { class: "unit" }, ` ${row.unit}`)
          : null, el("small", {}, row.meaning)),
        ...row.values.map(cell)));
    const table = el("table", {}, el("caption", {}, track), el("thead", {}, head),
      el("tbody", {}, ...rows));
    byId("measures").append(el("details", { open: i === 0, class: "group" },
      el("summary", {}, el("h3", {}, track), el("small", {}, `${rows.length} measures`)),
      el("div", { class: "wide", tabindex: "0", role: "region",
        "aria-label": `measures of ${track}` }, table)));
  });
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
