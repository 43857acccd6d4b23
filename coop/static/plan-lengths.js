// Lengths as people write them, in sixteenths of an inch: what coop/core/geometry.py reads and writes, for the page.

export const FOOT = 192;
export const INCH = 16;
const LONGEST = 10000 * FOOT;

const NUMBER = "(?:\\d+\\.\\d+|\\.\\d+|\\d+)";
const INCHES = `(?:(?:(?<whole>\\d+)[ -]+)?(?<num>\\d+)/(?<den>\\d+)|(?<inches>${NUMBER}))?\\s*(?:"|in\\.?|inch(?:es)?)?`;
const FEET = `(?:(?<feet>${NUMBER})\\s*(?:'|ft\\.?|feet|foot)(?:\\s*-(?=\\s*\\d))?)?`;
const IMPERIAL = new RegExp(`^(?<minus>[-\\u2212]?)${FEET}\\s*${INCHES}$`, "i");
const METRIC = new RegExp(`^(?<minus>[-\\u2212]?)(?<n>${NUMBER})\\s*(?<unit>mm|cm|m)$`, "i");
const MM = { mm: 1, cm: 10, m: 1000 };

/** Sixteenths of an inch, or null for what is no length. */
export function readLength(text) {
  const plain = text.trim().replace(/[’′]/g, "'").replace(/[”″]/g, '"').replace(/''/g, '"');
  const metric = METRIC.exec(plain);
  if (metric) {
    const { minus, n, unit } = metric.groups;
    return signed(minus, Math.round((Number(n) * MM[unit.toLowerCase()] * 160) / 254));
  }
  const found = IMPERIAL.exec(plain);
  if (!found) return null;
  const { minus, feet, whole, num, den, inches } = found.groups;
  if (feet === undefined && inches === undefined && num === undefined) return null;
  if (den !== undefined && Number(den) === 0) return null;
  const all = Number(feet ?? 0) * 12 + Number(inches ?? whole ?? 0) + (num === undefined ? 0 : Number(num) / Number(den));
  return signed(minus, Math.round(all * INCH));
}

function signed(minus, length) {
  return length > LONGEST ? null : minus && length ? -length : length;
}

/** 1448 -> 7' 6 1/2" */
export function writeLength(length) {
  const sign = length < 0 ? "-" : "";
  const whole = Math.abs(length);
  const feet = Math.floor(whole / FOOT);
  const inches = Math.floor((whole % FOOT) / INCH);
  let num = whole % INCH;
  let den = INCH;
  while (num && num % 2 === 0) [num, den] = [num / 2, den / 2];
  const small = !num ? `${inches}` : inches ? `${inches} ${num}/${den}` : `${num}/${den}`;
  return feet ? `${sign}${feet}' ${small}"` : `${sign}${small}"`;
}

/** `0, 0; 8', 0; 8', 10'` -> corners, [] for empty text, null for what cannot be read. */
export function readCorners(text) {
  if (!text.trim()) return [];
  const corners = text.split(";").map((pair) => pair.split(",").map(readLength));
  return corners.every((pair) => pair.length === 2 && !pair.includes(null)) ? corners : null;
}

export function writeCorners(corners) {
  return corners.map(([x, y]) => `${writeLength(x)}, ${writeLength(y)}`).join("; ");
}
