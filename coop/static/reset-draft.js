// A set as the server takes it and as the board draws it, one person's changes laid over another's, and what is told of troubles: pure.

import { boxOf, overlap } from "./plan-shapes.js";
import { cornersOf } from "./reset-shapes.js";

/** Height of the lowest edge of what is hung first. */
const HUNG = 48 * 16;

/** A piece where it is put, as the board draws it. */
export function partOf(piece, put) {
  const outline = cornersOf(piece, put);
  const { x0, y0, x1, y1 } = boxOf(outline);
  return { key: String(piece.id), kind: `piece:${piece.stands}`, drawn: true, piece, put,
    x: x0, y: y0, w: x1 - x0, d: y1 - y0, corners: outline.map(([a, b]) => [a - x0, b - y0]) };
}

/** A put of the server's as the editor has it. */
export function putOf(value) {
  return { x: value.x_in16, y: value.y_in16, turn: value.turn_deg ?? 0, on: value.on === undefined ? null : String(value.on), up: value.up_in16 ?? 0, locked: value.locked ?? false };
}

/** What is put into the set, as the server takes it. */
export function valueOf(parts) {
  return parts.map(({ piece, put }) => ({ piece: piece.id, x_in16: put.x, y_in16: put.y, turn_deg: put.turn,
    ...(put.on === null ? {} : { on: Number(put.on) }), ...(put.up ? { up_in16: put.up } : {}), ...(put.locked ? { locked: true } : {}) }));
}

/** Where a piece hangs first: at the middle of the first wall that takes hooks, its back to it. */
export function hungAt(piece, booth) {
  const n = booth.hung[0];
  if (n === undefined) return { up: HUNG };
  const [a, b] = [booth.outline[n], booth.outline[(n + 1) % booth.outline.length]];
  const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
  const long = Math.hypot(b[0] - a[0], b[1] - a[1]);
  let into = [-(b[1] - a[1]) / long, (b[0] - a[0]) / long];
  const probe = middle.map((value, axis) => value + into[axis] * 16);
  if (!overlap([[probe[0] - 1, probe[1] - 1], [probe[0] + 1, probe[1] - 1], [probe[0] + 1, probe[1] + 1], [probe[0] - 1, probe[1] + 1]], booth.outline)) into = into.map((value) => -value);
  const [x, y] = middle.map((value, axis) => Math.round(value + (into[axis] * piece.d) / 2));
  return { x, y, turn: (Math.round((Math.atan2(-into[0], into[1]) * 180) / Math.PI) + 360) % 360, up: HUNG };
}

function joined(names) {
  return names.length < 2 ? names.join("") : `${names.slice(0, -1).join(", ")} and ${names[names.length - 1]}`;
}

/** What is wrong with each piece, of the troubles found by key; `named` gives a piece's name by its key. */
export function troubleOfEach(found, named) {
  const words = ({ over, out }) => [out ? "It is partly out of the booth" : "", over.length ? `It overlaps ${joined(over.map(named))}` : ""];
  return new Map([...found].map(([key, trouble]) => [key, words(trouble).filter(Boolean).join(". ")]));
}

/** The same as sentences, each pair told once: the piece that is moved, `chosen`, is named first. */
export function troubleLines(found, named, chosen) {
  const lines = [];
  const told = new Set();
  for (const [key, { over, out }] of found) {
    if (out) lines.push(`${named(key)} is partly out of the booth.`);
    for (const other of over) {
      if (told.has(`${other} ${key}`)) continue;
      told.add(`${key} ${other}`);
      const both = [named(key), named(other)];
      lines.push(`${(other === chosen ? both.reverse() : both).join(" overlaps ")}.`);
    }
  }
  return lines;
}

/** What I changed since the page was opened, on top of what they saved. */
export function overlaid(base, mine, theirs) {
  const by = (list) => new Map(list.map((put) => [put.piece, put]));
  const [was, is, result] = [by(base), by(mine), by(theirs)];
  for (const [piece, put] of is) if (JSON.stringify(put) !== JSON.stringify(was.get(piece))) result.set(piece, put);
  for (const piece of was.keys()) if (!is.has(piece)) result.delete(piece);
  return [...result.values()].map((put) => (put.on === undefined || result.has(put.on) ? put : { ...put, on: undefined }));
}
