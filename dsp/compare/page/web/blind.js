// SPDX-License-Identifier: GPL-3.0-or-later
// The blind test: is X A or B? What X is stays in `draws.js` and in the audio graph, where X has a
// path of its own; nothing in the document depends on it until the last answer is given.

import { byId, button, choice, clock, el, saveFile, say } from "./dom.js";
import { atLeast, meaning, needed, percent } from "./chance.js";
import { trials } from "./draws.js";
import { hideForTest, showAfterTest } from "./hiding.js";

const LEAST = 5;
const MOST = 100;

export class BlindTest {
  constructor(data, controls, random) {
    Object.assign(this, { data, controls, random });
    this.test = null;
    this.fill("blind-a", 0);
    this.fill("blind-b", Math.min(1, data.variants.length - 1));
    byId("blind-count").addEventListener("input", () => this.showNeed());
    byId("blind-count").addEventListener("change", (event) => {
      event.target.value = this.count;
    });
    byId("blind-start").addEventListener("click", () => this.start());
    byId("blind-stop").addEventListener("click", () => this.stop());
    this.choice = choice(["A", "B", "X"].map((one) =>
      ({ value: one, label: `Hear ${one}`, key: one.toLowerCase() })), (one) => this.hear(one));
    byId("blind-hear").append(...this.choice.buttons);
    for (const one of ["A", "B"]) {
      byId("blind-answer").append(button([el("span", {}, `X is ${one}`),
        el("kbd", {}, `Shift ${one}`)], () => this.answer(one),
      { class: "choice", "aria-keyshortcuts": `Shift+${one}` }));
    }
    this.showNeed();
  }

  fill(id, chosen) {
    this.data.variants.forEach(({ name }, i) =>
      byId(id).append(el("option", { value: i, selected: i === chosen }, name)));
  }

  get count() {
    const count = Math.round(Number(byId("blind-count").value));
    return Math.max(LEAST, Math.min(MOST, count || 16));
  }

  showNeed() {
    byId("blind-need").textContent =
      `${needed(this.count)} of ${this.count} right are needed before a guesser does as well in ` +
      "at most 5 % of tests.";
  }

  start() {
    const pair = ["blind-a", "blind-b"].map((id) => Number(byId(id).value));
    if (pair[0] === pair[1]) {
      byId("blind-problem").textContent = "Choose two different variants.";
      return;
    }
    if (!this.controls.loaded) {
      byId("blind-problem").textContent = "The sounds are still being decoded.";
      return;
    }
    byId("blind-problem").textContent = "";
    this.pair = pair;
    this.sound = this.controls.sound;
    this.test = trials(this.count, this.random);
    byId("blind-result").replaceChildren();
    hideForTest("blind", this.controls);
    this.trial();
    byId("blind-now").focus();
  }

  // A new X. The graph is built anew for each, whatever X is.
  trial() {
    const [a, b] = this.pair.map((i) => this.controls.loaded[i].get(this.sound));
    const x = this.test.hidden(a, b).map((channel) => channel.slice());
    const { listening } = this.controls;
    const playing = listening.playing;
    listening.use([["A", a], ["B", b], ["X", x]], "A");
    this.heardX = false;
    this.choice.press(null);
    byId("blind-now").textContent = `Trial ${this.test.done() + 1} of ${this.test.count}`;
    if (playing) this.controls.toggle();
    this.choice.press("A");
  }

  hear(one) {
    if (!this.test) return;
    if (one === "X") this.heardX = true;
    this.controls.listening.hear(one);
    this.choice.press(one);
    if (!this.controls.listening.playing) this.controls.toggle();
    say(`Hearing ${one}`);
  }

  answer(one) {
    if (!this.test) return;
    if (!this.heardX) {
      say("Listen to X before you answer.");
      return;
    }
    this.test.answer(one);
    say(`You said: X is ${one}.`);
    if (this.test.finished()) this.finish();
    else this.trial();
  }

  stop() {
    if (!this.test) return;
    this.test = null;
    showAfterTest("blind", this.controls);
    byId("blind-result").replaceChildren(el("p", {}, "The test was stopped. It has no result: a " +
      "score that one may stop at will says nothing."));
    byId("blind-start").focus();
  }

  finish() {
    const { right, count, trials: answers } = this.test.result();
    this.test = null;
    showAfterTest("blind", this.controls);
    const p = atLeast(right, count);
    const [a, b] = this.pair.map((i) => this.data.variants[i].name);
    const range = this.controls.listening.selection;
    const result = {
      kind: "blind test", title: this.data.title, at: new Date().toISOString(),
      a, b, sound: this.sound, stretch_s: range && range.map(this.controls.time), trials: answers,
      right, count, probability: p };
    const rows = answers.map(({ x, answer }, i) => el("tr", {}, el("td", {}, i + 1),
      el("td", {}, x), el("td", {}, answer), el("td", {}, x === answer ? "right" : "wrong")));
    byId("blind-result").replaceChildren(
      el("h3", { tabindex: "-1" }, `${right} of ${count} right`),
      el("p", {}, `A was ${a}, B was ${b}; ${this.sound}` +
        `${range ? `, ${range.map((f) => clock(this.controls.time(f), 2)).join(" to ")}` : ""}. ` +
        `One-sided binomial probability: ${percent(p)} (p = ${p.toPrecision(3)}).`),
      el("p", {}, meaning(right, count)),
      el("p", {}, button("Save this result", () => saveFile("blind-test.json", result))),
      el("details", {}, el("summary", {}, "Every trial"), el("table", {}, el("thead", {},
        el("tr", {}, ...["trial", "X was", "you said", ""].map((word) =>
          el("th", { scope: "col" }, word)))), el("tbody", {}, ...rows))));
    byId("blind-result").querySelector("h3").focus();
    say(`${right} of ${count} right`);
  }
}
