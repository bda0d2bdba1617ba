// SPDX-License-Identifier: GPL-3.0-or-later
// What is heard, and where: one place that the controls, the timeline and the blind tests share.

import { amplitude } from "./sounds.js";
import { Player } from "./player.js";

export const QUIET_DB = -30; // where the volume starts, every time

export class Listening {
  // `context` makes an audio context at a rate.
  constructor(rate, frames, context = (sampleRate) => new AudioContext({ sampleRate })) {
    this.rate = rate;
    this.frames = frames;
    this.makeContext = context;
    this.player = null;
    this.sounds = new Map();
    this.heard = null;
    this.place = 0; // frame, while nothing plays
    this.selection = null; // [first, stop) in frames
    this.looping = false;
    this.volumeDb = QUIET_DB;
    this.changed = new EventTarget();
  }

  tell(what) {
    this.changed.dispatchEvent(new CustomEvent("change", { detail: what }));
  }

  onChange(act) {
    this.changed.addEventListener("change", (event) => act(event.detail));
  }

  get playing() {
    return Boolean(this.player && this.player.run);
  }

  // Which sounds there are; what plays is stopped. Equal names keep what is heard.
  use(sounds, heard) {
    if (this.playing) this.pause();
    this.sounds = new Map(sounds);
    this.heard = heard;
    if (this.player) {
      this.player.use(this.sounds);
      this.player.select(heard);
    }
    this.tell("heard");
  }

  add(name, sound) {
    if (this.sounds.has(name)) return;
    this.sounds.set(name, sound);
    if (this.player) this.player.put(name, sound);
  }

  hear(name) {
    this.heard = name;
    if (this.player) this.player.select(name);
    this.tell("heard");
  }

  async play() {
    if (this.sounds.size === 0 || this.playing) return;
    if (!this.player) {
      this.player = new Player(this.makeContext(this.rate));
      this.player.volume.gain.value = amplitude(this.volumeDb);
      this.player.use(this.sounds);
      this.player.select(this.heard);
    }
    await this.player.context.resume();
    if (this.playing) return;
    this.player.start(this.place, this.loop());
    this.tell("playing");
  }

  pause() {
    if (!this.playing) return;
    this.place = this.position();
    this.player.stop();
    this.tell("playing");
  }

  toggle() {
    return this.playing ? this.pause() : this.play();
  }

  loop() {
    if (!this.looping) return null;
    return this.selection || [0, this.frames];
  }

  // The frame that leaves the loudspeaker now.
  position() {
    if (!this.playing) return this.place;
    const { context } = this.player;
    const frame = this.player.frameAt(context.currentTime - (context.outputLatency || 0));
    if (frame >= this.frames) {
      this.player.stop();
      this.place = 0;
      this.tell("playing");
      return 0;
    }
    return frame;
  }

  seek(frame) {
    this.place = Math.max(0, Math.min(this.frames - 1, Math.round(frame)));
    this.restart();
    this.tell("place");
  }

  restart() {
    if (!this.playing) return;
    this.player.stop();
    this.player.start(this.place, this.loop());
  }

  // Set or clear the selection; a new one is played in a loop at once.
  select(range) {
    const least = Math.round(0.02 * this.rate);
    if (range) {
      const [a, b] = range.map((x) => Math.max(0, Math.min(this.frames, Math.round(x))));
      range = b - a >= least ? [a, b] : null;
    }
    this.place = this.position();
    this.selection = range;
    this.looping = Boolean(range);
    if (range && (this.place < range[0] || this.place >= range[1])) this.place = range[0];
    this.restart();
    this.tell("selection");
  }

  setLooping(on) {
    this.place = this.position();
    this.looping = on;
    this.restart();
    this.tell("selection");
  }

  setVolume(db) {
    this.volumeDb = Math.max(-60, Math.min(0, db));
    if (this.player) {
      const { gain } = this.player.volume;
      gain.setTargetAtTime(amplitude(this.volumeDb), this.player.context.currentTime, 0.02);
    }
    this.tell("volume");
  }
}
