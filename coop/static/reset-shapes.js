// Pieces in a booth, in sixteenths of an inch: pure, so that what is told at once does not hang on the screen.

import { boxOf, outside, overlap } from "./plan-shapes.js";

/** Overlaps up to this are none: a piece that is turned has its corners between two sixteenths. */
const HAIR = 1;
/** What is no higher is stepped and stood on like the floor: a rug. */
const FLAT = 8;

/** Corners of a piece {w, d} where it is put {x, y, turn}, its middle at x, y, turned clockwise. `less` is taken off each size. */
export function cornersOf(piece, put, less = 0) {
  const w = Math.max(piece.w - less, piece.w / 2) / 2;
  const d = Math.max(piece.d - less, piece.d / 2) / 2;
  const turn = (put.turn * Math.PI) / 180;
  const square = put.turn % 90 === 0;
  const [cos, sin] = [Math.cos(turn), Math.sin(turn)].map((value) => (square ? Math.round(value) : value));
  return [[-w, -d], [w, -d], [w, d], [-w, d]].map(([a, b]) => [put.x + a * cos - b * sin, put.y + a * sin + b * cos]);
}

/** Width and depth of the upright box around a piece, to the nearest sixteenth. */
export function boxSize(piece, turn) {
  const { x0, y0, x1, y1 } = boxOf(cornersOf(piece, { x: 0, y: 0, turn }));
  return [Math.round(x1 - x0), Math.round(y1 - y0)];
}

/** How many pieces lie below one; null for stacks that go in a circle. */
export function levelOf(parts, key) {
  const by = new Map(parts.map((part) => [part.key, part]));
  let level = 0;
  for (let at = by.get(key); at && at.put.on !== null; at = by.get(at.put.on)) {
    level += 1;
    if (level > parts.length) return null;
  }
  return level;
}

/** Keys of all that stands on a piece, on what stands on it, and so on. */
export function carriedBy(parts, key) {
  const found = new Set();
  let size = -1;
  while (size !== found.size) {
    size = found.size;
    for (const part of parts) if (part.key !== key && (part.put.on === key || found.has(part.put.on))) found.add(part.key);
  }
  return found;
}

/** From where to where a piece reaches above the floor; null in a circle. `by` has the pieces by key. */
function heights(by, part) {
  let bottom = part.put.on === null ? part.put.up : 0;
  let steps = 0;
  for (let at = by.get(part.put.on); at; at = by.get(at.put.on)) {
    steps += 1;
    if (steps > by.size) return null;
    bottom += at.piece.h + (at.put.on === null ? at.put.up : 0);
  }
  return [bottom, bottom + part.piece.h];
}

/** Outlines and boxes of pieces that are where they were: a drag moves few of them. */
const known = new WeakMap();

function shapeOf(part) {
  if (!known.has(part)) {
    const outline = cornersOf(part.piece, part.put, HAIR);
    known.set(part, { outline, box: boxOf(outline) });
  }
  return known.get(part);
}

function meet(a, b) {
  return a.x0 < b.x1 && b.x0 < a.x1 && a.y0 < b.y1 && b.y0 < a.y1;
}

/** What can be told at once: by key of piece, the pieces it overlaps, and whether it is out of the booth. */
export function troubles(parts, booth) {
  const found = new Map();
  const told = (key) => {
    if (!found.has(key)) found.set(key, { over: [], out: false });
    return found.get(key);
  };
  const by = new Map(parts.map((part) => [part.key, part]));
  const seen = parts.map((part) => ({ part, at: heights(by, part), ...shapeOf(part) }));
  seen.forEach((one, n) => {
    const inPost = booth.posts.some((post) => overlap(one.outline, post));
    if (outside(one.outline, booth.outline) || inPost) told(one.part.key).out = true;
    for (const other of seen.slice(0, n)) {
      if (!meet(one.box, other.box)) continue;
      const flat = [one, other].some(({ at }) => at && at[1] <= FLAT);
      const apart = flat || !one.at || !other.at || one.at[1] <= other.at[0] || other.at[1] <= one.at[0];
      if (apart || !overlap(one.outline, other.outline)) continue;
      told(one.part.key).over.push(other.part.key);
      told(other.part.key).over.push(one.part.key);
    }
  });
  return found;
}
