// A draft as the server takes it, and one person's changes laid over another's.

import { readLength } from "./plan-lengths.js";
import { boxOf, outlineOf } from "./plan-shapes.js";

/** {outline, ...} as a part of the editor: a rectangle has no corners of its own. */
export function partOf(value) {
  const outline = value.outline ?? [];
  const sort = value.zone === undefined ? "part" : "space";
  const part = { code: value.code, kind: `${sort}:${value.kind}`, zone: value.zone ?? "", h: value.height_in16 ?? null,
    corners: [], drawn: outline.length > 0, was: value.code, x: 0, y: 0, w: 0, d: 0 };
  if (!outline.length) return part;
  const { x0, y0, x1, y1 } = boxOf(outline);
  const square = outline.length === 4 && outline.every(([x, y], n) => {
    const next = outline[(n + 1) % 4];
    return (x === x0 || x === x1) && (y === y0 || y === y1) && (x === next[0]) !== (y === next[1]);
  });
  return { ...part, x: x0, y: y0, w: x1 - x0, d: y1 - y0, corners: square ? [] : outline.map(([x, y]) => [x - x0, y - y0]) };
}

/** The whole draft as JSON; a width that cannot be read is left for the server to refuse. */
export function valueOf(parts, outline, clear, tolerance) {
  const value = { outline, tolerance_percent: tolerance.trim().replace("%", ""), parts: [], spaces: [] };
  const clear16 = readLength(clear);
  if (clear16 !== null) value.required_clear_in16 = clear16;
  for (const part of parts) {
    const [sort, kind] = part.kind.split(":");
    const drawn = part.drawn ? { outline: outlineOf(part) } : {};
    if (sort === "space") value.spaces.push({ code: part.code, kind, zone: part.zone, ...drawn });
    else value.parts.push({ code: part.code, kind, ...(part.h ? { height_in16: part.h } : {}), outline: drawn.outline ?? [] });
  }
  return value;
}

function named(value) {
  return new Map([...value.parts.map((part) => [`part ${part.code}`, part]), ...value.spaces.map((space) => [`space ${space.code}`, space])]);
}

function same(one, other) {
  return JSON.stringify(one && partOf(one)) === JSON.stringify(other && partOf(other));
}

/** What I changed since `base`, on top of what they saved; what only they changed stays theirs. */
export function overlaid(base, mine, theirs) {
  const [was, is, result] = [named(base), named(mine), named(theirs)];
  for (const [name, part] of is) if (!same(part, was.get(name))) result.set(name, part);
  for (const name of was.keys()) if (!is.has(name)) result.delete(name);
  const outline = JSON.stringify(mine.outline) === JSON.stringify(base.outline) ? theirs.outline : mine.outline;
  const pick = (name) => [name, mine[name] === base[name] ? theirs[name] : mine[name] ?? theirs[name]];
  const kept = Object.fromEntries(["required_clear_in16", "tolerance_percent"].map(pick));
  return { parts: [...result.values()].map(partOf), outline, ...kept };
}
