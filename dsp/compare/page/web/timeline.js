// SPDX-License-Identifier: GPL-3.0-or-later
// Rows of plots over one time axis, with the place that sounds and the selection across all.

import { colours } from "./colours.js";
import { byId, clock, el } from "./dom.js";
import { LEFT, RIGHT } from "./plots.js";

export class Timeline {
  constructor(data, view, listening) {
    this.view = view;
    this.listening = listening;
    this.time = (frame) => (data.start + frame) / data.rate;
    this.rows = new Set();
    this.box = byId("timeline");
    this.head = el("div", { class: "playhead", "aria-hidden": "true" });
    this.marked = el("div", { class: "selection", "aria-hidden": "true" });
    this.box.append(el("div", { class: "over" }, this.marked, this.head));
    this.look = colours();
    this.asked = false;
    view.changed = () => this.redraw();
    this.seen = new IntersectionObserver((entries) => {
      for (const { target, isIntersecting } of entries) target.row.visible = isIntersecting;
      this.ask();
    }, { rootMargin: "200px" });
    let width = 0;
    new ResizeObserver(() => {
      if (this.box.clientWidth !== width) this.rebuild();
      width = this.box.clientWidth;
    }).observe(this.box);
    this.watchPointers();
  }

  // A row under `parent`: what it is in words, and a plot as `plots.js` makes them.
  add(parent, name, words, drawn) {
    const node = el("div", { class: "plot", role: "img", "aria-label": `${name}. ${words}` });
    node.style.height = `${drawn.height}px`;
    const label = el("div", { class: "label" }, el("b", {}, name), el("small", { title: words }, words));
    const row = { node, label, drawn, plot: null, visible: false, stale: true,
      element: el("div", { class: "row" }, label, node) };
    node.row = row;
    parent.append(row.element);
    this.rows.add(row);
    this.seen.observe(node);
    return row;
  }

  // Show something else in a row.
  put(row, drawn, words) {
    row.drawn = drawn;
    const small = row.label.querySelector("small");
    small.textContent = words;
    small.title = words;
    row.node.setAttribute("aria-label", `${row.label.firstChild.textContent}. ${words}`);
    this.drop(row);
    this.ask();
  }

  drop(row) {
    if (row.plot) row.plot.destroy();
    row.plot = null;
  }

  redraw() {
    for (const row of this.rows) row.stale = true;
    this.ask();
  }

  // Everything anew: the width or the colours have changed.
  rebuild() {
    this.look = colours();
    for (const row of this.rows) this.drop(row);
    this.ask();
  }

  ask() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      this.draw();
    });
  }

  draw() {
    if (this.box.clientWidth === 0) return; // hidden; rebuilt when it is seen again
    for (const row of this.rows) {
      if (!row.visible || row.node.clientWidth < LEFT + RIGHT + 20) continue;
      if (!row.plot) {
        row.plot = row.drawn.make(row.node, row.node.clientWidth, this.look, this.view, this.time);
      } else if (row.stale) {
        if (row.drawn.update) row.drawn.update(row.plot, this.view, this.time);
        row.plot.setScale("x", { min: this.time(this.view.from), max: this.time(this.view.to) });
      }
      row.stale = false;
    }
    this.place();
    const shown = [this.view.from, this.view.to].map((frame) => clock(this.time(frame), 3));
    byId("shown").textContent = `${shown[0]} to ${shown[1]}`;
  }

  // Left end and width of the plots, in pixels of the timeline's box.
  span() {
    for (const row of this.rows) {
      if (row.node.clientWidth > 0) {
        const left = row.node.getBoundingClientRect().left - this.box.getBoundingClientRect().left;
        return [left + LEFT, row.node.clientWidth - LEFT - RIGHT];
      }
    }
    return [LEFT, 1];
  }

  place() {
    const [left, width] = this.span();
    const { from, to } = this.view;
    const x = (frame) => left + ((frame - from) / (to - from)) * width;
    const now = this.listening.position();
    this.head.hidden = !this.view.holds(now);
    this.head.style.transform = `translateX(${x(now)}px)`;
    const range = this.listening.selection;
    this.marked.hidden = !range || range[1] < from || range[0] > to;
    if (range) {
      const ends = range.map((frame) => Math.max(left, Math.min(left + width, x(frame))));
      this.marked.style.left = `${ends[0]}px`;
      this.marked.style.width = `${ends[1] - ends[0]}px`;
    }
  }

  frameAt(clientX) {
    const [left, width] = this.span();
    const share = (clientX - this.box.getBoundingClientRect().left - left) / width;
    return this.view.from + Math.max(0, Math.min(1, share)) * (this.view.to - this.view.from);
  }

  // A tap seeks, a drag selects, two fingers pinch; the wheel zooms with Ctrl, pans with Shift.
  watchPointers() {
    const down = new Map();
    let start = null;
    this.box.addEventListener("pointerdown", (event) => {
      if (event.button !== 0 || !event.target.closest(".plot")) return;
      down.set(event.pointerId, event.clientX);
      const frame = this.frameAt(event.clientX);
      start = down.size > 1 ? null
        : { x: event.clientX, frame, selection: this.listening.selection };
      this.box.setPointerCapture(event.pointerId);
    });
    this.box.addEventListener("pointermove", (event) => {
      if (!down.has(event.pointerId)) return;
      const before = [...down.values()];
      down.set(event.pointerId, event.clientX);
      if (down.size === 2) this.pinch(before, [...down.values()]);
      else if (start && Math.abs(event.clientX - start.x) > 6) {
        start.moved = true;
        const frame = this.frameAt(event.clientX);
        this.listening.selection = [Math.min(start.frame, frame), Math.max(start.frame, frame)];
        this.place();
      }
    });
    const end = (event) => {
      if (!down.delete(event.pointerId) || !start) return;
      if (event.type === "pointercancel") { // the page scrolls instead
        this.listening.selection = start.selection;
        this.place();
      } else if (start.moved) this.listening.select(this.listening.selection);
      else this.listening.seek(start.frame);
      start = null;
    };
    this.box.addEventListener("pointerup", end);
    this.box.addEventListener("pointercancel", end);
    this.box.addEventListener("wheel", (event) => {
      if (event.ctrlKey) this.view.zoom(2 ** (event.deltaY / 200), this.frameAt(event.clientX));
      else if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
        this.view.pan((event.deltaX || event.deltaY) / 1000);
      } else return;
      event.preventDefault();
    }, { passive: false });
  }

  pinch(before, after) {
    const [a, b] = [Math.abs(before[0] - before[1]), Math.abs(after[0] - after[1])];
    const middle = (after[0] + after[1]) / 2;
    this.view.zoom(Math.max(a, 10) / Math.max(b, 10), this.frameAt(middle));
    this.view.pan(((before[0] + before[1]) / 2 - middle) / this.span()[1]);
  }
}
