// SPDX-License-Identifier: GPL-3.0-or-later
// The stretch of time that the timeline shows, in frames, and how it moves.

export class View {
  constructor(frames, rate) {
    this.frames = frames;
    this.least = Math.min(frames, Math.round(0.005 * rate)); // 5 ms fill the screen
    this.from = 0;
    this.to = frames;
    this.changed = () => {};
  }

  show(from, to) {
    const width = Math.max(this.least, Math.min(this.frames, to - from));
    this.from = Math.max(0, Math.min(this.frames - width, from));
    this.to = this.from + width;
    this.changed();
  }

  // `factor` below 1 looks closer; the frame `around` stays where it is.
  zoom(factor, around) {
    const width = Math.max(this.least, Math.min(this.frames, (this.to - this.from) * factor));
    const share = (around - this.from) / (this.to - this.from);
    this.show(around - share * width, around + (1 - share) * width);
  }

  pan(share) {
    const step = share * (this.to - this.from);
    this.show(this.from + step, this.to + step);
  }

  holds(frame) {
    return frame >= this.from && frame <= this.to;
  }
}
