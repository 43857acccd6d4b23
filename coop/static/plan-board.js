// The plan to scale under a pointer, fingers or keys. It knows shapes and gestures; what a draft is, plan.js knows.

import { FOOT, writeLength } from "./plan-lengths.js";
import { boxOf, fitted, outlineOf, snap } from "./plan-shapes.js";

const SVG = "http://www.w3.org/2000/svg";
const REACH_PX = 7;
const START_PX = 4;
const HANDLES = [[-1, -1], [0, -1], [1, -1], [1, 0], [1, 1], [0, 1], [-1, 1], [-1, 0]];
const STEP = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
/** Painted in this order, and gone through in it with the Tab key: the floor's first, what stands on it after. */
const ORDER = ["aisle", "space", "counter", "fixture", "post", "extinguisher", "wall", "door", "exit"];

export function make(name, attributes = {}, inside = []) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...inside);
  return made;
}

export function points(outline) {
  return outline.map((point) => point.join(",")).join(" ");
}

export class Board {
  /** `draft` holds the parts; `told` is called with what to say aloud. */
  constructor(svg, draft, told) {
    Object.assign(this, { svg, draft, told, grid: 3 * 16, meets: true, drawing: null });
    this.shown = new Map();
    this.fingers = new Map();
    this.gesture = null;
    this.layers = Object.fromEntries(["ground", "parts", "marks", "guides", "handles"].map((name) => {
      const layer = make("g", { class: name });
      if (name !== "parts") layer.setAttribute("aria-hidden", "true");
      svg.append(layer);
      return [name, layer];
    }));
    svg.addEventListener("pointerdown", (event) => this.press(event));
    svg.addEventListener("pointermove", (event) => this.go(event));
    for (const end of ["pointerup", "pointercancel"]) svg.addEventListener(end, (event) => this.release(event));
    svg.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    svg.addEventListener("keydown", (event) => this.key(event));
    svg.addEventListener("focusin", (event) => {
      const key = event.target.closest("[data-key]")?.dataset.key;
      if (key && key !== draft.chosen) draft.choose(key);
      if (key) this.bringIntoView(key);
    });
    new ResizeObserver(() => this.handles()).observe(svg);
  }

  // --- what is seen -----------------------------------------------------------------------------------------------------

  whole() {
    const { x0, y0, x1, y1 } = boxOf(this.draft.outline);
    const rim = Math.max(x1 - x0, y1 - y0) * 0.03;
    this.look(x0 - rim, y0 - rim, x1 - x0 + 2 * rim, y1 - y0 + 2 * rim);
  }

  look(x, y, w, h) {
    this.view = { x, y, w, h };
    this.svg.setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
    this.handles();
  }

  /** Nearer by a factor, around a place of the plan that stays where it is. */
  zoom(factor, at = [this.view.x + this.view.w / 2, this.view.y + this.view.h / 2]) {
    const { x0, x1 } = boxOf(this.draft.outline);
    const least = 2 * FOOT / this.view.w;
    const most = 4 * (x1 - x0) / this.view.w;
    const by = Math.min(Math.max(1 / factor, least), most);
    const { x, y, w, h } = this.view;
    this.look(at[0] - (at[0] - x) * by, at[1] - (at[1] - y) * by, w * by, h * by);
  }

  bringIntoView(key) {
    const { x0, y0, x1, y1 } = boxOf(outlineOf(this.draft.part(key)));
    const { x, y, w, h } = this.view;
    const seen = x1 > x && x0 < x + w && y1 > y && y0 < y + h;
    if (!seen) this.look((x0 + x1 - w) / 2, (y0 + y1 - h) / 2, w, h);
  }

  scale() {
    return this.svg.getScreenCTM()?.a || 1;
  }

  place(event) {
    const there = new DOMPoint(event.clientX, event.clientY).matrixTransform(this.svg.getScreenCTM().inverse());
    return [there.x, there.y];
  }

  ground() {
    const { x0, y0, x1, y1 } = boxOf(this.draft.outline);
    const lines = [];
    for (let x = Math.ceil(x0 / FOOT) * FOOT; x <= x1; x += FOOT) {
      lines.push(make("line", { x1: x, y1: y0, x2: x, y2: y1, class: x % (10 * FOOT) ? "foot" : "ten" }));
    }
    for (let y = Math.ceil(y0 / FOOT) * FOOT; y <= y1; y += FOOT) {
      lines.push(make("line", { x1: x0, y1: y, x2: x1, y2: y, class: y % (10 * FOOT) ? "foot" : "ten" }));
    }
    this.layers.ground.replaceChildren(...lines, make("polygon", { points: points(this.draft.outline), class: "outline" }));
  }

  /** Draw what the draft holds, keeping the elements there are, so that the focus stays where it was. */
  draw() {
    const wanted = this.draft.parts.filter((part) => part.drawn)
      .sort((a, b) => this.level(a) - this.level(b));
    const keys = new Set(wanted.map((part) => part.key));
    for (const [key, group] of this.shown) {
      if (!keys.has(key)) {
        group.remove();
        this.shown.delete(key);
      }
    }
    let before = null;
    for (const part of wanted) {
      let group = this.shown.get(part.key);
      if (!group) {
        group = make("g", { "data-key": part.key, tabindex: "0", role: "button" }, [make("polygon"), make("text")]);
        this.shown.set(part.key, group);
      }
      const next = before ? before.nextSibling : this.layers.parts.firstChild;
      if (next !== group) this.layers.parts.insertBefore(group, next);
      before = group;
      this.show(part, group);
    }
    this.handles();
  }

  /** What lies lower is painted first. */
  level(part) {
    return ORDER.indexOf(this.sort(part));
  }

  sort(part) {
    return part.kind.startsWith("space:") ? "space" : part.kind.slice(5);
  }

  show(part, group) {
    const outline = outlineOf(part);
    const { x0, y0, x1, y1 } = boxOf(outline);
    const chosen = part.key === this.draft.chosen;
    const wrong = this.draft.trouble.has(part.key);
    group.setAttribute("class", `part ${part.kind.replace(":", " ")}${chosen ? " chosen" : ""}${wrong ? " wrong" : ""}`);
    group.setAttribute("aria-pressed", String(chosen));
    group.setAttribute("aria-label", this.draft.describe(part));
    group.firstChild.setAttribute("points", points(outline));
    const text = group.lastChild;
    const size = Math.min((y1 - y0) * 0.6, ((x1 - x0) * 1.5) / Math.max(part.code.length, 2), 3 * FOOT);
    for (const [name, value] of Object.entries({ x: (x0 + x1) / 2, y: (y0 + y1) / 2 + size * 0.34, "font-size": size })) {
      text.setAttribute(name, value);
    }
    const said = (wrong ? "✻" : "") + part.code;
    if (text.textContent !== said) text.textContent = said;
  }

  handles() {
    const part = this.draft.part(this.draft.chosen);
    const made = [];
    if (part?.drawn && this.view) {
      const px = 1 / this.scale();
      const { x0, y0, x1, y1 } = boxOf(outlineOf(part));
      for (const [hx, hy] of HANDLES) {
        // Drawn outside the part, so that a small one can still be taken by its middle.
        const x = (x0 + x1) / 2 + hx * ((x1 - x0) / 2 + 7 * px);
        const y = (y0 + y1) / 2 + hy * ((y1 - y0) / 2 + 7 * px);
        const at = `${hx},${hy}`;
        made.push(make("rect", { x: x - 4 * px, y: y - 4 * px, width: 8 * px, height: 8 * px, class: "handle" }));
        made.push(make("rect", { x: x - 12 * px + 7 * hx * px, y: y - 12 * px + 7 * hy * px, width: 24 * px, height: 24 * px, class: `hold h${at.replace(",", "_")}`, "data-handle": at }));
      }
    }
    this.layers.handles.replaceChildren(...made);
  }

  /** Findings with their place; `at` is drawn where it is, `n` beside it. */
  marks(findings) {
    const px = 1 / this.scale();
    this.layers.marks.replaceChildren(...findings.map((one, n) => {
      const shape = one.at.length === 1
        ? make("circle", { cx: one.at[0][0], cy: one.at[0][1], r: FOOT })
        : make(one.closed ? "polygon" : "polyline", { points: points(one.at) });
      const { x0, y0, x1, y1 } = boxOf(one.at);
      const size = Math.max(1.2 * FOOT, 12 * px);
      const text = make("text", { x: (x0 + x1) / 2, y: (y0 + y1) / 2 + size / 3, "font-size": size }, [`${n + 1}`]);
      return make("g", { class: "mark", "data-n": n }, [shape, text]);
    }));
  }

  point(n) {
    for (const mark of this.layers.marks.children) mark.classList.toggle("pointed", Number(mark.dataset.n) === n);
  }

  guides(lines) {
    const { x, y, w, h } = this.view;
    this.layers.guides.replaceChildren(...lines.map(([axis, at]) => make("line", axis === "x"
      ? { x1: at, x2: at, y1: y, y2: y + h }
      : { y1: at, y2: at, x1: x, x2: x + w })));
  }

  // --- a pointer ----------------------------------------------------------------------------------------------------------

  press(event) {
    if (event.button !== 0 && event.pointerType === "mouse") return;
    this.svg.setPointerCapture(event.pointerId);
    this.fingers.set(event.pointerId, [event.clientX, event.clientY]);
    if (this.fingers.size === 2) {
      this.draft.revert();
      const [a, b] = [...this.fingers.values()];
      this.gesture = { what: "pinch", apart: Math.hypot(a[0] - b[0], a[1] - b[1]), middle: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2] };
      this.guides([]);
      this.draw();
      return;
    }
    const key = event.target.closest("[data-key]")?.dataset.key;
    const handle = event.target.dataset?.handle;
    const from = this.place(event);
    const base = { from, client: [event.clientX, event.clientY], moved: false, view: this.view };
    if (this.drawing) {
      event.preventDefault();
      this.gesture = { ...base, what: "draw", corner: from.map((value) => Math.round(value / this.grid) * this.grid) };
    } else if (handle) {
      event.preventDefault();
      this.gesture = { ...base, what: "resize", handle: handle.split(",").map(Number), part: this.draft.part(this.draft.chosen) };
    } else if (key && (event.pointerType === "mouse" || key === this.draft.chosen)) {
      this.gesture = { ...base, what: "move", part: this.draft.part(key) };
      if (key !== this.draft.chosen) this.draft.choose(key);
    } else {
      // A finger that begins on a part which is not chosen pushes the plan along: a tap chooses it.
      this.gesture = { ...base, what: "pan", tapped: key ?? null };
    }
  }

  go(event) {
    if (!this.fingers.has(event.pointerId) || !this.gesture) return;
    this.fingers.set(event.pointerId, [event.clientX, event.clientY]);
    const { gesture } = this;
    if (gesture.what === "pinch") return this.pinch(gesture);
    const far = Math.hypot(event.clientX - gesture.client[0], event.clientY - gesture.client[1]);
    if (!gesture.moved && far < START_PX) return undefined;
    gesture.moved = true;
    if (gesture.what === "pan") {
      const scale = this.scale();
      const { x, y, w, h } = gesture.view;
      return this.look(x - (event.clientX - gesture.client[0]) / scale, y - (event.clientY - gesture.client[1]) / scale, w, h);
    }
    const to = this.place(event);
    if (gesture.what === "move") return this.move(gesture, to[0] - gesture.from[0], to[1] - gesture.from[1]);
    if (gesture.what === "resize") return this.resize(gesture, to[0] - gesture.from[0], to[1] - gesture.from[1]);
    return this.sketch(gesture, to);
  }

  pinch(gesture) {
    const [a, b] = [...this.fingers.values()];
    if (!b) return;
    const apart = Math.hypot(a[0] - b[0], a[1] - b[1]);
    const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
    const scale = this.scale();
    const { x, y, w, h } = this.view;
    this.look(x - (middle[0] - gesture.middle[0]) / scale, y - (middle[1] - gesture.middle[1]) / scale, w, h);
    this.zoom(apart / Math.max(gesture.apart, 1), this.place({ clientX: middle[0], clientY: middle[1] }));
    Object.assign(gesture, { apart, middle });
  }

  /** The lines a part may meet: the sides of every other, and of the outline. */
  lines(key, axis) {
    if (!this.meets) return [];
    const boxes = [boxOf(this.draft.outline), ...this.draft.parts.filter((p) => p.drawn && p.key !== key).map((p) => boxOf(outlineOf(p)))];
    return boxes.flatMap((box) => (axis === "x" ? [box.x0, box.x1] : [box.y0, box.y1]));
  }

  snapped(key, axis, edges) {
    return snap(edges.map(Math.round), this.lines(key, axis), REACH_PX / this.scale(), this.grid);
  }

  move({ part }, dx, dy) {
    const wanted = { x: Math.round(part.x + dx), y: Math.round(part.y + dy) };
    const x = this.snapped(part.key, "x", [wanted.x, wanted.x + part.w]);
    const y = this.snapped(part.key, "y", [wanted.y, wanted.y + part.d]);
    this.guides([["x", x.line], ["y", y.line]].filter(([, at]) => at !== null));
    this.preview({ ...part, x: wanted.x + x.by, y: wanted.y + y.by });
  }

  resize({ part, handle: [hx, hy] }, dx, dy) {
    const lines = [];
    const side = (axis, near, size, hand, by) => {
      if (!hand) return [near, size];
      const edge = Math.round((hand > 0 ? near + size : near) + by);
      const found = this.snapped(part.key, axis, [edge]);
      if (found.line !== null) lines.push([axis, found.line]);
      const to = edge + found.by;
      const least = this.grid;
      return hand > 0 ? [near, Math.max(least, to - near)] : [Math.min(to, near + size - least), Math.max(least, near + size - to)];
    };
    const [x, w] = side("x", part.x, part.w, hx, dx);
    const [y, d] = side("y", part.y, part.d, hy, dy);
    this.guides(lines);
    this.preview(fitted(part, x, y, w, d));
  }

  sketch(gesture, to) {
    const end = ["x", "y"].map((axis, n) => Math.round(to[n]) + this.snapped(null, axis, [Math.round(to[n])]).by);
    const [x, y] = gesture.corner.map((value, n) => Math.min(value, end[n]));
    const [w, d] = gesture.corner.map((value, n) => Math.abs(value - end[n]));
    gesture.box = { x, y, w, d };
    this.layers.guides.replaceChildren(make("rect", { x, y, width: w, height: d, class: "sketch" }));
    this.told(`${writeLength(w)} wide, ${writeLength(d)} deep`);
  }

  preview(part) {
    this.draft.preview(part);
    this.draw();
  }

  release(event) {
    if (!this.fingers.delete(event.pointerId)) return;
    const { gesture } = this;
    this.gesture = null;
    this.guides([]);
    if (!gesture) return;
    if (event.type === "pointercancel") {
      this.draft.revert();
      this.draw();
      // The browser took the finger to scroll the page: the plan goes back to where it was.
      if (gesture.what === "pan") this.look(gesture.view.x, gesture.view.y, gesture.view.w, gesture.view.h);
      return;
    }
    if (gesture.what === "draw" && gesture.box?.w && gesture.box.d) {
      this.draft.add(this.drawing, gesture.box);
    } else if (gesture.what === "pan" && !gesture.moved) {
      this.draft.choose(gesture.tapped);
    } else if (gesture.moved && (gesture.what === "move" || gesture.what === "resize")) {
      this.draft.commit();
    }
    if (gesture.what === "move" && !gesture.moved) this.shown.get(gesture.part.key)?.focus();
  }

  wheel(event) {
    if (!event.ctrlKey && !event.metaKey) return;
    event.preventDefault();
    this.zoom(Math.exp(-event.deltaY / 300), this.place(event));
  }

  // --- keys ---------------------------------------------------------------------------------------------------------------

  key(event) {
    if (event.key === "Escape" && this.gesture) {
      this.gesture = null;
      this.draft.revert();
      this.guides([]);
      this.draw();
      return;
    }
    const part = this.draft.part(event.target.closest("[data-key]")?.dataset.key);
    if (!part || event.ctrlKey || event.metaKey || event.altKey) return;
    const step = STEP[event.key];
    if (step) {
      event.preventDefault();
      const [dx, dy] = step.map((one) => one * this.grid);
      this.draft.preview(event.shiftKey
        ? fitted(part, part.x, part.y, Math.max(this.grid, part.w + dx), Math.max(this.grid, part.d + dy))
        : { ...part, x: part.x + dx, y: part.y + dy });
      this.draft.commit();
      this.bringIntoView(part.key);
    } else if (event.key === "Delete" || event.key === "Backspace") {
      event.preventDefault();
      const group = this.shown.get(part.key);
      const next = group.nextElementSibling ?? group.previousElementSibling;
      this.draft.remove(part.key);
      (next ?? this.svg).focus();
    } else if (event.key === "Enter" || event.key === " ") {
      event.preventDefault();
      this.draft.choose(part.key);
      if (event.key === "Enter") this.draft.figures(part.key);
    }
  }
}
