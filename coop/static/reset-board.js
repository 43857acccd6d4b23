// The booth to scale under a pointer, fingers or keys: the floor's board, with pieces that are turned and carry each other.

import { Board, make, points } from "./plan-board.js";
import { INCH } from "./plan-lengths.js";
import { boxOf, outlineOf } from "./plan-shapes.js";
import { carriedBy, levelOf } from "./reset-shapes.js";

const QUARTER = 90;
const AROUND = 40 * INCH;
const LETTER_PX = 11;
export const TURN = 15;

export class SetBoard extends Board {
  /** `ground` is the server's drawing of the booth alone. */
  constructor(svg, draft, told, ground) {
    super(svg, draft, told);
    this.grid = INCH;
    this.drawn = new WeakMap();
    this.view0 = ground.viewBox.baseVal;
    // A finger on the chosen piece or its knob moves that, never the page.
    svg.addEventListener("touchstart", (event) => event.target.closest(".chosen, .hold") && event.preventDefault(), { passive: false });
    this.layers.ground.append(...[...ground.children].filter((one) => !["title", "desc"].includes(one.localName)));
  }

  /** The booth with some of what lies around it; the board takes its shape. */
  whole() {
    const { x, y, width, height } = this.view0;
    const { x0, y0, x1, y1 } = boxOf(this.draft.outline);
    const [left, top] = [Math.max(x, x0 - AROUND), Math.max(y, y0 - AROUND)];
    const [right, bottom] = [Math.min(x + width, x1 + AROUND), Math.min(y + height, y1 + AROUND)];
    this.svg.style.aspectRatio = Math.min(Math.max((right - left) / (bottom - top), 0.7), 2);
    this.across = right - left;
    this.look(left, top, right - left, bottom - top);
  }

  look(...view) {
    super.look(...view);
    // While all of it is shown, a finger on free floor scrolls the page: the plan fills most of a phone.
    this.svg.classList.toggle("near", this.view.w < this.across * 0.98);
    for (const [key, group] of this.shown) {
      const part = this.draft.part(key);
      if (part) this.label(part, group.querySelector("text"));
    }
    this.draft.looked();
  }

  ground() {}

  level(part) {
    return (part.piece.stands === "wall" ? 100 : 0) + (levelOf(this.draft.parts, part.key) ?? 0);
  }

  /** Draw every piece, also those that are where they were: a number, what it carries or which is chosen may differ. */
  drawAnew() {
    this.drawn = new WeakMap();
    this.draw();
  }

  show(part, group) {
    const trouble = this.draft.trouble.get(part.key) ?? "";
    const was = this.drawn.get(group);
    if (was?.part === part && was.trouble === trouble) return;
    this.drawn.set(group, { part, trouble });
    const outline = outlineOf(part);
    const chosen = part.key === this.draft.chosen;
    const wrong = trouble !== "";
    const sorts = `${part.piece.stands}${part.put.on === null ? "" : " carried"}${part.put.locked ? " locked" : ""}`;
    group.setAttribute("class", `piece ${sorts}${chosen ? " chosen" : ""}${wrong ? " wrong" : ""}`);
    group.setAttribute("aria-pressed", String(chosen));
    group.setAttribute("aria-label", this.draft.describe(part));
    const [shape, text] = [group.querySelector("polygon"), group.querySelector("text")];
    let front = group.querySelector("line");
    if (!front) {
      front = make("line", { class: "front" });
      group.insertBefore(front, text);
    }
    shape.setAttribute("points", points(outline));
    if (part.piece.colour) shape.setAttribute("fill", part.piece.colour);
    const middle = ([a, b], [c, d], share) => [a + (c - a) * share, b + (d - b) * share];
    const [left, right] = [outline[3], outline[2]];
    const back = middle(outline[0], outline[1], 0.5);
    const ahead = middle(left, right, 0.5);
    const inset = Math.min(0.2, 24 / part.piece.d);
    const ends = [middle(left, right, 0.12), middle(left, right, 0.88)].map((end) => [
      end[0] + (back[0] - ahead[0]) * inset, end[1] + (back[1] - ahead[1]) * inset]);
    const line = { x1: ends[0][0], y1: ends[0][1], x2: ends[1][0], y2: ends[1][1] };
    for (const [name, value] of Object.entries(line)) front.setAttribute(name, value);
    this.label(part, text);
  }

  /** Its number and its name on as many lines as there is room for; the number alone on what is small or carries something. */
  label(part, text) {
    const size = Math.max(4 * INCH, LETTER_PX / this.scale());
    const number = `${this.draft.trouble.has(part.key) ? "✻" : ""}${this.draft.number(part)}`;
    const room = Math.max(1, Math.floor(part.w / (size * 0.52)));
    const lines = [number];
    for (const word of part.piece.name.split(" ")) {
      const last = lines[lines.length - 1];
      if (`${last} ${word}`.length <= room) lines[lines.length - 1] = `${last} ${word}`;
      else lines.push(word);
    }
    const carried = this.draft.parts.filter((other) => other.put.on === part.key);
    const fits = !carried.length && lines.every((line) => line.length <= room) && lines.length * size * 1.1 <= part.d;
    const shown = fits ? lines : [number];
    const high = Math.min(size, part.d * 0.9, (part.w * 1.6) / number.length);
    const said = shown.join("\n");
    if (text.dataset.said !== said) {
      text.dataset.said = said;
      text.replaceChildren(...shown.map((line) => make("tspan", {}, [line])));
    }
    text.setAttribute("font-size", high);
    // What stands on it would cover a number in the middle.
    const spots = carried.length ? [0.15, 0.85, 0.5].flatMap((down) => [0.12, 0.88, 0.5].map((along) => [part.x + part.w * along, part.y + part.d * down])) : [];
    const covered = ([x, y]) => carried.some((other) => x > other.x - high / 2 && x < other.x + other.w + high / 2 && y > other.y - high / 2 && y < other.y + other.d + high / 2);
    const at = spots.find((spot) => !covered(spot)) ?? [part.put.x, part.put.y];
    [...text.children].forEach((line, n) => {
      line.setAttribute("x", at[0]);
      line.setAttribute("y", at[1] + high * (0.34 + 1.1 * (n - (shown.length - 1) / 2)));
    });
  }

  /** A knob before its front, to turn the chosen piece by. */
  handles() {
    const part = this.draft.part(this.draft.chosen);
    const made = [];
    if (part && this.view && !part.put.locked) {
      const px = 1 / this.scale();
      const turn = (part.put.turn * Math.PI) / 180;
      const far = part.piece.d / 2 + 26 * px;
      const [x, y] = [part.put.x - Math.sin(turn) * far, part.put.y + Math.cos(turn) * far];
      const from = [part.put.x - Math.sin(turn) * (part.piece.d / 2), part.put.y + Math.cos(turn) * (part.piece.d / 2)];
      made.push(make("line", { x1: from[0], y1: from[1], x2: x, y2: y, class: "stem" }));
      made.push(make("circle", { cx: x, cy: y, r: 6 * px, class: "handle" }));
      made.push(make("circle", { cx: x, cy: y, r: 22 * px, class: "hold", "data-handle": "0,1" }));
    }
    this.layers.handles.replaceChildren(...made);
  }

  /** Turning by the knob: to every fifteenth degree, within two of it. */
  resize({ part, from }, dx, dy) {
    const [x, y] = [from[0] + dx - part.put.x, from[1] + dy - part.put.y];
    const degrees = (Math.round((Math.atan2(-x, y) * 180) / Math.PI) + 360) % 360;
    const near = (Math.round(degrees / TURN) * TURN) % 360;
    const apart = Math.min(Math.abs(degrees - near), 360 - Math.abs(degrees - near));
    this.draft.turn(part.key, apart <= 4 ? near : degrees);
    this.draw();
  }

  lines(key, axis) {
    const along = key === null ? new Set() : carriedBy(this.draft.parts, key);
    const others = this.draft.parts.filter((part) => part.key !== key && !along.has(part.key));
    return [{ outline: this.draft.outline }, ...others.map((part) => ({ outline: outlineOf(part) }))]
      .flatMap(({ outline }) => outline.map((point) => point[axis === "x" ? 0 : 1]))
      .map(Math.round);
  }

  press(event) {
    super.press(event);
    const { gesture } = this;
    if (gesture && ["move", "resize"].includes(gesture.what) && gesture.part?.put.locked) {
      this.told(`${gesture.part.piece.name} is locked: unlock it to move it.`);
      this.gesture = { ...gesture, what: "still" };
    }
  }

  go(event) {
    if (this.gesture?.what === "still") return undefined;
    return super.go(event);
  }

  key(event) {
    const part = this.draft.part(event.target.closest("[data-key]")?.dataset.key);
    const plain = !(event.ctrlKey || event.metaKey || event.altKey);
    const turn = { "[": -TURN, "]": TURN, r: QUARTER, R: QUARTER }[event.key];
    const arrow = event.key.startsWith("Arrow");
    if (part && plain && (arrow || turn) && part.put.locked) {
      event.preventDefault();
      this.told(`${part.piece.name} is locked: unlock it to move it.`);
    } else if (part && plain && arrow) {
      event.preventDefault();
      const step = event.shiftKey ? 12 * INCH : this.grid;
      const [dx, dy] = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      this.draft.preview({ ...part, x: part.x + dx * step, y: part.y + dy * step });
      this.draft.commit();
      this.bringIntoView(part.key);
    } else if (part && plain && turn) {
      event.preventDefault();
      this.draft.turn(part.key, (part.put.turn + turn + 360) % 360);
      this.draft.commit();
    } else if (part && plain && event.key.toLowerCase() === "l") {
      event.preventDefault();
      this.draft.lock(part.key);
    } else if (part && plain && event.key.toLowerCase() === "o") {
      event.preventDefault();
      this.draft.figures(part.key, "on");
    } else {
      super.key(event);
    }
  }
}
