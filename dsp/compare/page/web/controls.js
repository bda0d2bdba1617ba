// SPDX-License-Identifier: GPL-3.0-or-later
// The bar that stays in sight: play, what is heard, loop, volume. While a blind test runs its
// buttons for variants are hidden, and do nothing.

import { byId, choice, clock, say, signed } from "./dom.js";
import { difference, playable } from "./difference.js";

export const pathOf = (variant, sound) => `variant ${variant}, ${sound}`;

export class Controls {
  constructor(data, listening, time) {
    Object.assign(this, { data, listening, time });
    this.variant = 0;
    this.sound = data.listen.at(-1);
    this.removed = false; // whether the difference is heard
    this.pair = [0, Math.min(1, data.variants.length - 1)];
    this.blind = false;
    this.loaded = null;
    this.lowered = new Map(); // by how many dB a difference had to be lowered to fit
    this.changed = () => {}; // called after what is heard has changed
    this.variants = choice(data.variants.map(({ name, about }, i) => (
      { value: i, label: name, key: i < 9 ? String(i + 1) : null, describe: about })),
    (i) => this.hearVariant(i));
    byId("variants").append(...this.variants.buttons);
    this.listen = choice(data.listen.map((name) => ({ value: name, label: name })),
      (name) => this.hearSound(name));
    byId("listen").append(...this.listen.buttons);
    byId("play").addEventListener("click", () => this.toggle());
    byId("loop").addEventListener("click", () => this.toggleLoop());
    byId("removed").addEventListener("click", () => this.hearRemoved(!this.removed));
    byId("volume").addEventListener("input", (event) =>
      listening.setVolume(Number(event.target.value)));
    listening.onChange(() => this.show());
    this.show();
  }

  // The sounds are decoded: everything can be heard.
  ready(sounds) {
    this.loaded = sounds;
    this.useAll();
    byId("play").disabled = false;
  }

  // Put all variants into the graph.
  useAll() {
    const paths = this.loaded.flatMap((sounds, i) =>
      this.data.listen.map((name) => [pathOf(i, name), sounds.get(name)]));
    this.listening.use(paths, pathOf(this.variant, this.sound));
    this.removed = false;
    this.changed();
    this.show();
  }

  hearVariant(i) {
    if (this.blind || i >= this.data.variants.length) return;
    this.variant = i;
    this.removed = false;
    this.hear(`Hearing ${this.data.variants[i].name}`);
  }

  hearSound(name) {
    if (this.blind) return;
    this.sound = name;
    this.hear(`Listening to ${name}`);
  }

  hearRemoved(on) {
    if (this.blind) return;
    this.removed = on;
    const [a, b] = this.pair.map((i) => this.data.variants[i].name);
    this.hear(on ? `Hearing ${a} minus ${b}` : `Hearing ${this.data.variants[this.variant].name}`);
    const lowered = on && this.loaded ? this.lowered.get(this.removedPath()) : 0;
    if (lowered > 0) {
      say(`Hearing ${a} minus ${b}, lowered by ${signed(lowered)} dB so that it fits`);
    }
  }

  setPair(pair) {
    this.pair = pair;
    this.hear(null);
  }

  hear(words) {
    if (this.loaded) {
      this.listening.hear(this.removed ? this.removedPath() : pathOf(this.variant, this.sound));
    }
    if (words) say(words);
    this.changed();
    this.show();
  }

  // Samples of the chosen pair's difference, as printed.
  removedSound() {
    const [a, b] = this.pair;
    const gain = (i) => this.data.variants[i].match_db[this.sound];
    return difference(this.loaded[a].get(this.sound), gain(a),
      this.loaded[b].get(this.sound), gain(b));
  }

  removedPath() {
    const name = `removed ${this.pair.join("-")}, ${this.sound}`;
    if (!this.listening.sounds.has(name)) {
      const fromDb = this.data.variants[this.pair[0]].match_db[this.sound];
      const { channels, loweredDb } = playable(this.removedSound(), fromDb);
      this.listening.add(name, channels);
      this.lowered.set(name, loweredDb);
    }
    return name;
  }

  async toggle() {
    try {
      await this.listening.toggle();
    } catch (error) {
      say(`The browser gives no sound: ${error.message}`);
    }
  }

  toggleLoop() {
    this.listening.setLooping(!this.listening.looping);
    say(this.listening.looping ? "Loop on" : "Loop off");
  }

  show() {
    const { listening } = this;
    byId("play").textContent = listening.playing ? "Pause" : "Play";
    byId("loop").setAttribute("aria-pressed", String(listening.looping));
    byId("removed").setAttribute("aria-pressed", String(this.removed));
    this.variants.press(this.removed ? -1 : this.variant);
    this.listen.press(this.sound);
    byId("volume").value = listening.volumeDb;
    byId("volume-shown").textContent = `${signed(listening.volumeDb, 0)} dB`;
    const range = listening.selection;
    byId("selected").textContent = range
      ? `${range.map((frame) => clock(this.time(frame), 3)).join(" to ")}`
      : "nothing selected";
    this.showPlace();
  }

  showPlace() {
    byId("place").textContent = clock(this.time(this.listening.position()), 1);
  }
}
