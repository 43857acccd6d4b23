// The editor of a mall's plan: the page's own table is its figures, so that both say the same and the table works alone.

import { Board } from "./plan-board.js";
import { overlaid, partOf, valueOf } from "./plan-draft.js";
import { FOOT, readCorners, readLength, writeCorners, writeLength } from "./plan-lengths.js";
import { send } from "./plan-sending.js";
import { boxOf, fitted, outlineOf, outside, overlap } from "./plan-shapes.js";

const PAUSE_MS = 700;
const STANDING = new Set(["space:booth", "space:case", "part:counter", "part:post", "part:fixture", "part:wall"]);
const SIZES = { "space:booth": [10 * FOOT, 8 * FOOT], "part:wall": [8 * FOOT, FOOT / 2], "part:aisle": [20 * FOOT, 4 * FOOT] };
const FIELDS = ["code", "kind", "zone", "x", "y", "w", "d", "h", "corners"];

const form = document.getElementById("plan-form");
const desk = document.getElementById("plan-desk");
const table = document.getElementById("plan-parts");
const one = (id) => document.getElementById(id);

/** The draft: what is typed in the rows, as parts; with every state it was in, to go back to. */
const draft = {
  parts: [], outline: [], chosen: null, trouble: new Map(), rows: new Map(), states: [], at: -1, made: 0, version: 0, saved: null,

  part(key) {
    return this.parts.find((part) => part.key === key);
  },

  describe(part) {
    const { x0, y0, x1, y1 } = boxOf(outlineOf(part));
    const from = boxOf(this.outline);
    const trouble = this.trouble.get(part.key);
    return `${begun(part)}${part.zone ? `, ${part.zone}` : ""}: ${writeLength(x1 - x0)} wide, ` +
      `${writeLength(y1 - y0)} deep, ${writeLength(x0 - from.x0)} from the left, ${writeLength(y0 - from.y0)} from the top` +
      (trouble ? `. ${trouble}` : "");
  },

  choose(key) {
    if (this.chosen === key) return;
    this.chosen = key;
    for (const [other, row] of this.rows) row.classList.toggle("chosen", other === key);
    table.classList.toggle("none", key === null);
    one("plan-nothing").hidden = key !== null;
    board.draw();
  },

  /** Show a part somewhere else, without having it so yet. */
  preview(part) {
    this.parts = this.parts.map((other) => (other.key === part.key ? part : other));
    writeRow(this.rows.get(part.key), part);
    judgeHere();
    say(this.describe(part));
  },

  revert() {
    this.parts = this.states[this.at].parts;
    for (const part of this.parts) writeRow(this.rows.get(part.key), part);
    judgeHere();
  },

  commit() {
    const before = this.states[this.at];
    if (before && before.parts === this.parts && before.outline === this.outline) return;
    this.states.splice(this.at + 1);
    this.states.push({ parts: this.parts, outline: this.outline });
    this.at = this.states.length - 1;
    changed();
  },

  go(by) {
    const state = this.states[this.at + by];
    if (!state) return;
    this.at += by;
    this.become(state);
    say(by < 0 ? "Undone." : "Done again.");
  },

  become({ parts, outline }) {
    this.parts = parts;
    this.outline = outline;
    const keys = new Set(parts.map((part) => part.key));
    for (const [key, row] of this.rows) if (!keys.has(key)) row.remove();
    for (const part of parts) {
      const row = this.rows.get(part.key) ?? newRow(part.key);
      if (!row.isConnected) table.tBodies[0].append(row);
      writeRow(row, part);
    }
    if (this.chosen && !keys.has(this.chosen)) this.choose(null);
    writeOutline();
    board.ground();
    changed();
  },

  add(kind, box) {
    const key = this.fresh();
    const zone = kind.startsWith("space:") ? this.part(this.chosen)?.zone || this.parts.find((part) => part.zone)?.zone || "" : "";
    const part = { key, code: nextCode(kind), kind, zone, ...box, h: null, corners: [], drawn: true, was: "" };
    const row = newRow(key);
    table.tBodies[0].append(row);
    writeRow(row, part);
    this.parts = [...this.parts, part];
    drawing(null);
    this.commit();
    this.choose(key);
    board.shown.get(key)?.focus();
  },

  remove(key) {
    const part = this.part(key);
    this.become({ parts: this.parts.filter((other) => other.key !== key), outline: this.outline });
    this.commit();
    say(`${begun(part)} is taken off the draft. Undo brings it back.`);
  },

  fresh() {
    this.made += 1;
    return `new${this.made}`;
  },

  figures(key) {
    field(this.rows.get(key), "x").focus();
  },

  value() {
    return valueOf(this.parts, this.outline, one("plan-clear").value, one("plan-tolerance").value);
  },
};

const board = new Board(one("plan-board"), draft, say);

function words(kind) {
  return table.querySelector(`select option[value="${kind}"]`)?.textContent ?? kind;
}

/** `Booth 14`, to begin a sentence with. */
function begun(part) {
  const said = words(part.kind);
  return `${said[0].toUpperCase()}${said.slice(1)} ${part.code}`;
}

function say(sentence) {
  if (one("plan-said").textContent !== sentence) one("plan-said").textContent = sentence;
}

function nextCode(kind) {
  const codes = new Set(draft.parts.filter((part) => part.kind.slice(0, 5) === kind.slice(0, 5)).map((part) => part.code));
  const stem = kind === "space:booth" ? "" : `${words(kind)} `;
  let n = 1;
  while (codes.has(`${stem}${n}`)) n += 1;
  return `${stem}${n}`;
}

// --- rows -----------------------------------------------------------------------------------------------------------------

function field(row, name) {
  return row.querySelector(`[data-field="${name}"]`);
}

function newRow(key) {
  const holder = document.createElement("tbody");
  holder.innerHTML = one("plan-row").innerHTML.replaceAll("__row__", key);
  const row = holder.firstElementChild;
  draft.rows.set(key, row);
  return row;
}

function writeRow(row, part) {
  const lengths = part.drawn ? ["x", "y", "w", "d"].map((name) => [name, writeLength(part[name])]) : [];
  const values = { ...Object.fromEntries(lengths), code: part.code, kind: part.kind, zone: part.zone,
    h: part.h ? writeLength(part.h) : "", corners: writeCorners(part.corners) };
  for (const [name, value] of Object.entries(values)) {
    const there = field(row, name);
    if (there.value !== value && document.activeElement !== there) there.value = value;
    there.removeAttribute("aria-invalid");
  }
  row.querySelector(".mistake").hidden = true;
  for (const called of row.querySelectorAll(".called")) called.textContent = `${called.dataset.of ?? " "}${words(part.kind)} ${part.code}`;
}

/** What a row says, as a part; a sentence where it cannot be read; null for a row nobody filled in. */
function readRow(row, key, before) {
  const typed = Object.fromEntries(FIELDS.map((name) => [name, field(row, name).value.trim()]));
  const empty = ["code", "x", "y", "w", "d", "corners"].every((name) => !typed[name]);
  if (empty) return null;
  const part = { key, code: typed.code, kind: typed.kind, zone: typed.kind.startsWith("space:") ? typed.zone : "",
    h: null, corners: [], drawn: true, was: before?.was ?? "" };
  for (const name of ["x", "y", "w", "d", "h"]) {
    part[name] = typed[name] ? readLength(typed[name]) : name === "x" || name === "y" ? 0 : null;
    if (typed[name] && part[name] === null) return { name, sentence: `${typed[name]} is not a length. Write it like 7' 6".` };
  }
  part.corners = readCorners(typed.corners);
  if (part.corners === null) return { name: "corners", sentence: "Write each corner as two lengths, like 0, 0; 8', 0; 8', 10'." };
  if (part.corners.length) {
    const box = boxOf(part.corners);
    const same = before && writeCorners(before.corners) === typed.corners;
    const [w, d] = [box.x1 - box.x0, box.y1 - box.y0];
    const asked = same && part.w && part.d && (part.w !== w || part.d !== d);
    const corners = part.corners.map(([x, y]) => [x - box.x0, y - box.y0]);
    return asked ? fitted({ ...part, corners, w, d }, part.x, part.y, part.w, part.d) : { ...part, corners, w, d };
  }
  if (!part.w && !part.d) return { ...part, drawn: false, x: 0, y: 0, w: 0, d: 0 };
  if (!(part.w > 0) || !(part.d > 0)) return { name: part.w > 0 ? "d" : "w", sentence: "Width and depth must be above zero." };
  return part;
}

function takeRow(row) {
  const key = row.dataset.row;
  const before = draft.part(key);
  const read = readRow(row, key, before);
  const mistake = row.querySelector(".mistake");
  for (const wrong of row.querySelectorAll("[aria-invalid]")) wrong.removeAttribute("aria-invalid");
  mistake.hidden = true;
  if (read?.sentence) {
    mistake.textContent = `✻ ${read.sentence}`;
    mistake.hidden = false;
    field(row, read.name).setAttribute("aria-invalid", "true");
    return;
  }
  if (!read) return;
  if (before && JSON.stringify(before) === JSON.stringify(read)) return;
  draft.parts = before ? draft.parts.map((other) => (other.key === key ? read : other)) : [...draft.parts, read];
  draft.commit();
  setTimeout(() => writeRow(row, draft.part(key) ?? read));
}

function writeOutline() {
  const box = boxOf(draft.outline);
  const shape = partOf({ outline: draft.outline });
  one("plan-w").value = writeLength(box.x1 - box.x0);
  one("plan-d").value = writeLength(box.y1 - box.y0);
  one("plan-corners").value = writeCorners(shape.corners.length || shape.x || shape.y ? draft.outline : []);
}

function readOutline() {
  const corners = readCorners(one("plan-corners").value);
  const [w, d] = [readLength(one("plan-w").value), readLength(one("plan-d").value)];
  const outline = corners?.length ? corners : w > 0 && d > 0 ? outlineOf({ x: 0, y: 0, w, d, corners: [] }) : null;
  if (!outline || corners === null || outline.length < 3) return null;
  return outline;
}

// --- what is wrong, here and on the server ----------------------------------------------------------------------------------

/** What can be told at once while something moves; the rest is the server's to say. */
function judgeHere() {
  draft.trouble.clear();
  const standing = draft.parts.filter((part) => part.drawn && part.corners.length !== 2 && STANDING.has(part.kind));
  const outlines = standing.map(outlineOf);
  standing.forEach((part, n) => {
    const space = part.kind.startsWith("space:");
    if (space && outside(outlines[n], draft.outline)) draft.trouble.set(part.key, "It lies partly outside the outline");
    standing.slice(0, n).forEach((other, m) => {
      if (!(space || other.kind.startsWith("space:")) || !overlap(outlines[n], outlines[m])) return;
      draft.trouble.set(part.key, `It overlaps ${words(other.kind)} ${other.code}`);
      draft.trouble.set(other.key, `It overlaps ${words(part.kind)} ${part.code}`);
    });
  });
  const lines = [...draft.trouble].map(([key, sentence]) => {
    const part = draft.part(key);
    return `${begun(part)}: ${sentence[0].toLowerCase()}${sentence.slice(1)}.`;
  });
  one("plan-trouble").textContent = lines.slice(0, 4).join(" ") + (lines.length > 4 ? ` And ${lines.length - 4} more.` : "");
}

function draw() {
  judgeHere();
  board.draw();
}

/** Have the next rectangle on the plan be a new part of this kind; null ends it. */
function drawing(kind) {
  board.drawing = kind;
  one("plan-draw").setAttribute("aria-pressed", String(Boolean(kind)));
  board.svg.classList.toggle("drawing", Boolean(kind));
  if (kind) say(`Draw a rectangle on the plan: ${words(kind)}.`);
}

let waiting = 0;
let asking = null;

function changed() {
  draw();
  one("plan-undo").disabled = draft.at <= 0;
  one("plan-redo").disabled = draft.at >= draft.states.length - 1;
  one("plan-state").textContent = unsaved() ? "Not saved yet." : "";
  clearTimeout(waiting);
  waiting = setTimeout(check, PAUSE_MS);
}

function unsaved() {
  return draft.saved !== JSON.stringify(draft.value());
}

async function check() {
  asking?.abort();
  asking = new AbortController();
  one("plan-findings-state").textContent = "Looking at the ways…";
  try {
    const answer = await send(desk.dataset.check, form.elements.csrf_token.value, { draft: draft.value() }, asking.signal);
    if (!answer.ok && answer.status !== 422) throw new Error(String(answer.status));
    const found = await answer.json();
    showFindings(found.findings ?? []);
    showFaults(found.faults ?? []);
  } catch (error) {
    if (error.name !== "AbortError") one("plan-findings-state").textContent = "The office does not answer just now. It is asked again after the next change.";
  }
}

function showFindings(findings) {
  board.marks(findings);
  one("plan-findings").replaceChildren(...findings.map((finding, n) => {
    const item = document.createElement("li");
    const button = document.createElement("button");
    Object.assign(button, { type: "button", className: "quiet", textContent: finding.sentence });
    for (const event of ["focus", "click", "mouseenter"]) button.addEventListener(event, () => board.point(n));
    button.addEventListener("blur", () => board.point(-1));
    item.append(button);
    return item;
  }));
  one("plan-findings-state").textContent = findings.length ? `${findings.length} found.` : "Nothing is found wrong.";
}

function showFaults(faults) {
  one("plan-faults").replaceChildren(...faults.map((fault) => {
    const item = document.createElement("p");
    item.className = "mistake";
    item.textContent = `✻ ${fault.sentence}`;
    return item;
  }));
  if (faults.length) one("plan-findings-state").textContent = "It cannot be judged before this is mended.";
}

// --- saving ------------------------------------------------------------------------------------------------------------------

async function save() {
  const value = draft.value();
  one("plan-state").textContent = "Saving…";
  asking = null;
  try {
    const answer = await send(desk.dataset.save, form.elements.csrf_token.value, { version: draft.version, draft: value });
    if (![200, 409, 422].includes(answer.status)) throw new Error(String(answer.status));
    const said = await answer.json();
    if (answer.status === 409) return conflict(said);
    if (answer.status === 422) {
      showFaults(said.faults);
      one("plan-state").textContent = "It is not saved.";
      return undefined;
    }
    draft.version = said.version;
    form.elements.version.value = said.version;
    draft.saved = JSON.stringify(value);
    draft.base = value;
    one("plan-conflict").hidden = true;
    showFaults([]);
    one("plan-state").textContent = said.sentence;
  } catch {
    one("plan-state").textContent = "It is not saved: the office does not answer just now. The draft is still here; try again.";
  }
  return undefined;
}

function conflict(said) {
  one("plan-state").textContent = "It is not saved.";
  one("plan-conflict-words").textContent = said.sentence;
  one("plan-conflict").hidden = false;
  one("plan-conflict").focus();
  one("plan-overlay").onclick = () => {
    const { parts, outline, required_clear_in16, tolerance_percent } = overlaid(draft.base, draft.value(), said.draft);
    one("plan-clear").value = writeLength(required_clear_in16);
    one("plan-tolerance").value = tolerance_percent;
    const known = new Map(draft.parts.map((part) => [`${part.kind.slice(0, 5)}${part.code}`, part.key]));
    const keyed = parts.map((part) => ({ ...part, key: known.get(`${part.kind.slice(0, 5)}${part.code}`) ?? draft.fresh() }));
    draft.version = said.version;
    form.elements.version.value = said.version;
    draft.base = said.draft;
    draft.become({ parts: keyed, outline });
    draft.commit();
    one("plan-conflict").hidden = true;
    one("plan-state").textContent = "Your changes are laid over theirs. Look at them, then save.";
    one("plan-save").focus();
  };
}

// --- beginning -----------------------------------------------------------------------------------------------------------------

/** Show the plan and what it says; false where the hall has no size yet: then the page stays a plain form, with its own answers. */
function begin() {
  draft.outline = readOutline();
  if (!draft.outline) return false;
  for (const row of table.tBodies[0].rows) {
    const read = readRow(row, row.dataset.row);
    if (!read) row.remove();
    else {
      draft.rows.set(row.dataset.row, row);
      if (!read.sentence) draft.parts.push({ ...read, was: row.dataset.was });
    }
  }
  draft.version = Number(form.elements.version.value);
  draft.base = draft.value();
  draft.saved = JSON.stringify(draft.base);
  draft.states = [{ parts: draft.parts, outline: draft.outline }];
  draft.at = 0;
  document.body.classList.add("plan-scripted");
  desk.hidden = false;
  table.classList.add("none");
  board.ground();
  board.whole();
  changed();
  // What is wrong already is said at once; the pause is for what is still being changed.
  clearTimeout(waiting);
  check();
  return true;
}

function listen() {
  one("plan-undo").addEventListener("click", () => draft.go(-1));
  one("plan-redo").addEventListener("click", () => draft.go(1));
  one("plan-near").addEventListener("click", () => board.zoom(1.4));
  one("plan-far").addEventListener("click", () => board.zoom(1 / 1.4));
  one("plan-whole").addEventListener("click", () => board.whole());
  one("plan-grid").addEventListener("change", (event) => { board.grid = Number(event.target.value); });
  one("plan-meets").addEventListener("change", (event) => { board.meets = event.target.checked; });
  one("plan-draw").addEventListener("click", () => drawing(board.drawing ? null : one("plan-what").value));
  one("plan-what").addEventListener("change", (event) => { if (board.drawing) board.drawing = event.target.value; });
  one("plan-put").addEventListener("click", () => {
    const kind = one("plan-what").value;
    const [w, d] = SIZES[kind] ?? [2 * FOOT, 2 * FOOT];
    const at = (from, size, less) => Math.round((from + size / 2 - less / 2) / board.grid) * board.grid;
    draft.add(kind, { x: at(board.view.x, board.view.w, w), y: at(board.view.y, board.view.h, d), w, d });
  });
  one("plan-all").addEventListener("click", (event) => {
    const all = document.body.classList.toggle("plan-all");
    event.target.textContent = all ? "Show the chosen part only" : "Show all parts as a table";
  });
  one("plan-save").addEventListener("click", save);

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    save();
  });
  table.addEventListener("change", (event) => {
    const row = event.target.closest("tr[data-row]");
    if (!row) return;
    takeRow(row);
  });
  table.addEventListener("click", (event) => {
    const key = event.target.closest("[data-take]")?.closest("tr").dataset.row;
    if (draft.part(key)) draft.remove(key);
  });
  table.addEventListener("focusin", (event) => {
    const key = event.target.closest("tr[data-row]")?.dataset.row;
    if (key && draft.part(key)) draft.choose(key);
  });
  one("plan-outline").addEventListener("change", () => {
    const outline = readOutline();
    one("plan-outline-wrong").hidden = Boolean(outline);
    if (!outline || JSON.stringify(outline) === JSON.stringify(draft.outline)) {
      changed();
      return;
    }
    draft.outline = outline;
    board.ground();
    draft.commit();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && board.drawing) drawing(null);
    const typing = event.target.matches("input:not([type=checkbox]), select, textarea");
    if (!(event.ctrlKey || event.metaKey) || typing || !document.body.classList.contains("plan-scripted")) return;
    const key = event.key.toLowerCase();
    if (key !== "z" && key !== "y") return;
    event.preventDefault();
    draft.go(key === "y" || event.shiftKey ? 1 : -1);
  });
  addEventListener("beforeunload", (event) => { if (draft.states.length && unsaved()) event.preventDefault(); });
}

if (begin()) listen();
