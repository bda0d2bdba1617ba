// SPDX-License-Identifier: GPL-3.0-or-later
// The audio graph. All paths run side by side from one start, each behind a gain that is 0 or 1;
// switching moves one gain down and another up over one render block, so that their sum is 1 at
// every sample: no gap, no click, and the sample that sounds is the one that would have sounded.
// Works in an AudioContext as in an OfflineAudioContext.

export const BLOCK = 128; // frames in a render block of Web Audio
const SEAM_S = 0.002; // a loop fades in and out over this, so that its ends do not click

export class Player {
  constructor(context) {
    this.context = context;
    this.rate = context.sampleRate;
    this.volume = context.createGain();
    this.edge = context.createGain(); // 0 when stopped
    this.edge.gain.value = 0;
    this.edge.connect(this.volume).connect(context.destination);
    this.paths = new Map(); // name -> {sound, gain, source}
    this.current = null;
    this.run = null; // {when, frame, first, length, loop}: what is playing, and since when
    this.free = 0; // the last fade ends here
  }

  // The next block's first moment that can still be scheduled.
  soon() {
    const { context } = this;
    const lead = context instanceof OfflineAudioContext ? 0
      : Math.max(0.02, 2 * (context.baseLatency || 0)); // the audio thread may be so far ahead
    return this.align(Math.max(context.currentTime + lead, this.free));
  }

  // The start of a block. Always the same sum for the same block: two times that are meant to be
  // equal but differ in their last bit would come in the wrong order, and click.
  align(time) {
    return (Math.ceil((time * this.rate) / BLOCK - 1e-6) * BLOCK) / this.rate;
  }

  blockAfter(time) {
    return this.align(time + BLOCK / this.rate);
  }

  // Replace all paths. What plays is faded out and stopped; the old nodes end with their sources.
  // `sounds` maps a name to channels (Float32Array).
  use(sounds) {
    this.stop();
    this.paths.clear();
    for (const [name, sound] of sounds) this.put(name, sound);
    this.current = null;
  }

  // Add a path that is not there yet. While playing it starts beside the others, at their place.
  put(name, sound, when = this.soon()) {
    if (this.paths.has(name)) return;
    const gain = this.context.createGain();
    gain.gain.value = 0;
    gain.connect(this.edge);
    const path = { sound, gain, source: null };
    this.paths.set(name, path);
    if (this.run) this.startPath(path, when, this.frameAt(when));
  }

  // Let the path `name` sound, the others not.
  select(name, time = this.soon()) {
    if (name === this.current) return;
    const when = this.align(time);
    const end = this.blockAfter(when);
    const ramp = (path, from, to) => {
      path.gain.gain.setValueAtTime(from, when);
      path.gain.gain.linearRampToValueAtTime(to, end);
    };
    if (!this.run) {
      for (const [key, path] of this.paths) {
        path.gain.gain.cancelScheduledValues(0);
        path.gain.gain.setValueAtTime(key === name ? 1 : 0, this.context.currentTime);
      }
    } else {
      if (this.current !== null) ramp(this.paths.get(this.current), 1, 0);
      ramp(this.paths.get(name), 0, 1);
      this.free = end;
    }
    this.current = name;
  }

  // Play from `frame`; `loop` is [first, stop) in frames, or null to play to the end.
  start(frame, loop = null, when = this.soon()) {
    const first = loop ? loop[0] : 0;
    const length = loop ? loop[1] - loop[0] : this.frames();
    const at = frame >= first && frame < first + length ? frame : first;
    this.run = { when, frame: at, first, length, loop: Boolean(loop) };
    for (const path of this.paths.values()) this.startPath(path, when, at);
    this.edge.gain.setValueAtTime(0, when);
    this.free = this.blockAfter(when);
    this.edge.gain.linearRampToValueAtTime(1, this.free);
  }

  stop(when = this.soon()) {
    if (!this.run) return;
    const end = this.blockAfter(when);
    this.edge.gain.setValueAtTime(1, when);
    this.edge.gain.linearRampToValueAtTime(0, end);
    for (const path of this.paths.values()) {
      if (path.source) path.source.stop(end);
      path.source = null;
    }
    this.free = end;
    this.run = null;
  }

  frames() {
    for (const path of this.paths.values()) return path.sound[0].length;
    return 0;
  }

  // Which frame sounds at a time of the context; the length of the sound once it is over.
  frameAt(time) {
    const { when, frame, first, length, loop } = this.run;
    const gone = Math.max(0, Math.round((time - when) * this.rate));
    const place = frame - first + gone;
    return first + (loop ? place % length : Math.min(place, length));
  }

  startPath(path, when, frame) {
    const { first, length, loop } = this.run;
    if (frame - first >= length) return;
    const buffer = this.context.createBuffer(path.sound.length, length, this.rate);
    path.sound.forEach((channel, c) => {
      buffer.copyToChannel(channel.subarray(first, first + length), c);
      if (loop) fadeEnds(buffer.getChannelData(c), Math.round(SEAM_S * this.rate));
    });
    path.source = this.context.createBufferSource();
    path.source.buffer = buffer;
    path.source.loop = loop;
    path.source.connect(path.gain);
    path.source.start(when, (frame - first) / this.rate);
  }
}

function fadeEnds(samples, length) {
  const fade = Math.min(length, samples.length >> 1);
  for (let i = 0; i < fade; i++) {
    const gain = (i + 1) / (fade + 1);
    samples[i] *= gain;
    samples[samples.length - 1 - i] *= gain;
  }
}
