// SPDX-License-Identifier: GPL-3.0-or-later
// Blind ranking: all variants under drawn letters, put in order of preference, then revealed.

import { byId, button, choice, el, saveFile, say } from "./dom.js";
import { ranking } from "./draws.js";
import { hideForTest, showAfterTest } from "./hiding.js";

export class BlindRanking {
  constructor(data, controls, random) {
    Object.assign(this, { data, controls, random });
    this.rank = null;
    byId("rank-start").addEventListener("click", () => this.start());
    byId("rank-stop").addEventListener("click", () => this.stop());
    byId("rank-reveal").addEventListener("click", () => this.reveal());
  }

  start() {
    if (!this.controls.loaded) {
      byId("rank-problem").textContent = "The sounds are still being decoded.";
      return;
    }
    byId("rank-problem").textContent = "";
    this.sound = this.controls.sound;
    this.rank = ranking(this.data.variants.length, this.random);
    const sounds = this.controls.loaded.map((one) => one.get(this.sound));
    byId("rank-result").replaceChildren();
    hideForTest("rank", this.controls);
    this.controls.listening.use(this.rank.labels.map((label) =>
      [label, this.rank.hidden(label, sounds)]), this.rank.labels[0]);
    this.heard = this.rank.labels[0];
    this.show();
    byId("rank-now").focus();
  }

  show() {
    this.choice = choice(this.rank.order.map((label) => ({ value: label, label: `Hear ${label}`,
      key: String(this.rank.labels.indexOf(label) + 1) })), (label) => this.hear(label));
    byId("rank-list").replaceChildren(...this.rank.order.map((label, i) => el("li", {}, el("div", {},
      this.choice.buttons[i],
      button("better", () => this.move(label, -1), { "aria-label": `${label}: one place better` }),
      button("worse", () => this.move(label, 1), { "aria-label": `${label}: one place worse` })))));
    this.choice.press(this.heard);
  }

  hear(label) {
    if (!this.rank || !label) return;
    this.heard = label;
    this.controls.listening.hear(label);
    this.choice.press(label);
    if (!this.controls.listening.playing) this.controls.toggle();
    say(`Hearing ${label}`);
  }

  move(label, step) {
    if (!this.rank) return;
    const place = this.rank.move(label, step);
    this.show();
    this.choice.buttons[place].focus();
    say(`${label} is in place ${place + 1} of ${this.rank.order.length}`);
  }

  stop() {
    if (!this.rank) return;
    this.rank = null;
    showAfterTest("rank", this.controls);
    byId("rank-start").focus();
  }

  reveal() {
    if (!this.rank) return;
    const order = this.rank.result().map(({ label, index }) =>
      ({ label, name: this.data.variants[index].name }));
    this.rank = null;
    showAfterTest("rank", this.controls);
    const result = { kind: "blind ranking", title: this.data.title, at: new Date().toISOString(),
      sound: this.sound, best_first: order };
    byId("rank-result").replaceChildren(
      el("h3", { tabindex: "-1" }, "Your order, best first"),
      el("ol", {}, ...order.map(({ label, name }) => el("li", {}, name, ` (was ${label})`))),
      el("p", {}, button("Save this order", () => saveFile("blind-ranking.json", result))));
    byId("rank-result").querySelector("h3").focus();
  }
}
