// Shapes on a plan, in whole sixteenths of an inch: pure, so that the editor's answers do not hang on the screen.

/** A part is {x, y, w, d, corners}: corners from its own upper left, or [] for a rectangle. */
export function outlineOf(part) {
  const { x, y, w, d, corners } = part;
  if (corners.length) return corners.map(([a, b]) => [x + a, y + b]);
  return [[x, y], [x + w, y], [x + w, y + d], [x, y + d]];
}

export function boxOf(outline) {
  const xs = outline.map((point) => point[0]);
  const ys = outline.map((point) => point[1]);
  return { x0: Math.min(...xs), y0: Math.min(...ys), x1: Math.max(...xs), y1: Math.max(...ys) };
}

/** A part with its corners drawn to a new box. */
export function fitted(part, x, y, w, d) {
  const corners = part.corners.map(([a, b]) => [Math.round((a * w) / part.w), Math.round((b * d) / part.d)]);
  return { ...part, x, y, w, d, corners };
}

function cross(a, b, c) {
  return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
}

function sides(outline) {
  return outline.map((point, n) => [point, outline[(n + 1) % outline.length]]);
}

function cut(a, b, c, d) {
  return cross(a, b, c) * cross(a, b, d) < 0 && cross(c, d, a) * cross(c, d, b) < 0;
}

function onSide(p, a, b) {
  return cross(a, b, p) === 0 && Math.min(a[0], b[0]) <= p[0] && p[0] <= Math.max(a[0], b[0]) &&
    Math.min(a[1], b[1]) <= p[1] && p[1] <= Math.max(a[1], b[1]);
}

/** 1 inside, 0 on the line, -1 outside. */
function where(p, outline) {
  let inside = false;
  for (const [a, b] of sides(outline)) {
    if (onSide(p, a, b)) return 0;
    if (a[1] > p[1] !== b[1] > p[1] && p[0] < ((b[0] - a[0]) * (p[1] - a[1])) / (b[1] - a[1]) + a[0]) inside = !inside;
  }
  return inside ? 1 : -1;
}

function middles(outline) {
  return sides(outline).map(([a, b]) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]);
}

function anyCut(one, other) {
  return sides(one).some(([a, b]) => sides(other).some(([c, d]) => cut(a, b, c, d)));
}

/** A point within: the middle of the widest stretch of the horizontal line halfway between two corners' heights. */
function within(outline) {
  const heights = [...new Set(outline.map((point) => point[1]))].sort((a, b) => a - b);
  const y = (heights[0] + heights[1]) / 2;
  const xs = sides(outline).filter(([a, b]) => a[1] > y !== b[1] > y)
    .map(([a, b]) => ((b[0] - a[0]) * (y - a[1])) / (b[1] - a[1]) + a[0]).sort((a, b) => a - b);
  return [(xs[0] + xs[1]) / 2, y];
}

/** Whether two outlines share floor; touching along a side is not sharing. */
export function overlap(one, other) {
  const a = boxOf(one);
  const b = boxOf(other);
  if (a.x1 <= b.x0 || b.x1 <= a.x0 || a.y1 <= b.y0 || b.y1 <= a.y0) return false;
  if (anyCut(one, other)) return true;
  const probes = (outline) => [...outline, ...middles(outline), within(outline)];
  return probes(one).some((p) => where(p, other) > 0) || probes(other).some((p) => where(p, one) > 0);
}

/** Whether some of an outline lies beyond the plan's. */
export function outside(outline, plan) {
  return anyCut(outline, plan) || [...outline, ...middles(outline)].some((p) => where(p, plan) < 0);
}

/** What to add to a moving edge so that it meets the nearest of `lines` within `reach`, else the grid. */
export function snap(edges, lines, reach, grid) {
  let best = null;
  for (const edge of edges) {
    for (const line of lines) {
      const by = line - edge;
      if (Math.abs(by) <= reach && (best === null || Math.abs(by) < Math.abs(best.by))) best = { by, line };
    }
  }
  return best ?? { by: Math.round(edges[0] / grid) * grid - edges[0], line: null };
}
