// The editor of a set: the page's own table is its figures, so that both say the same and the table works alone.

import { readLength, writeLength } from "./plan-lengths.js";
import { send } from "./plan-sending.js";
import { boxOf, overlap } from "./plan-shapes.js";
import { hungAt, overlaid, partOf, putOf, troubleLines, troubleOfEach, valueOf } from "./reset-draft.js";
import { SetBoard, TURN } from "./reset-board.js";
import { boxSize, carriedBy, cornersOf, levelOf, troubles } from "./reset-shapes.js";
import { field, listFindings, listTray, optionsOf, rowOf, showWalls } from "./reset-rows.js";

const PAUSE_MS = 500;

const form = document.getElementById("set-form");
const desk = document.getElementById("set-desk");
const table = document.getElementById("set-rows");
const one = (id) => document.getElementById(id);
const booth = JSON.parse(desk.dataset.booth);
const corner = boxOf(booth.outline);

/** The draft: what is put into the set, in the order of its numbers; with every state it was in, to go back to. */
const draft = {
  parts: [], outline: booth.outline, chosen: null, trouble: new Map(), states: [], at: -1, version: 0, base: [], saved: "",

  part(key) {
    return this.parts.find((part) => part.key === key);
  },

  number(part) {
    return this.parts.indexOf(this.part(part.key)) + 1;
  },

  /** `told`: with what is wrong, for who cannot see it. */
  describe(part, told = true) {
    const { put, piece } = part;
    const [w, d] = boxSize(piece, put.turn);
    const below = put.on === null ? null : this.part(put.on);
    const trouble = this.trouble.get(part.key);
    return `${piece.name}: ${writeLength(put.x - Math.floor(w / 2) - corner.x0)} from the left, ` +
      `${writeLength(put.y - Math.floor(d / 2) - corner.y0)} from the back` +
      (put.turn ? `, turned ${put.turn}°` : "") + (below ? `, on ${below.piece.name}` : "") +
      (put.up ? `, ${writeLength(put.up)} up` : "") + (put.locked ? ", locked" : "") + (told && trouble ? `. ${trouble}` : "");
  },

  choose(key) {
    if (this.chosen === key) return;
    this.chosen = key;
    for (const row of table.tBodies[0].rows) row.classList.toggle("chosen", row.dataset.row === key);
    one("set-nothing").hidden = key !== null;
    acts();
    board.drawAnew();
  },

  /** Show a piece somewhere else, with all it carries, without having it so yet. */
  preview(part) {
    const before = this.states[this.at].parts;
    const was = before.find((other) => other.key === part.key);
    const [dx, dy] = [Math.round(part.x - was.x), Math.round(part.y - was.y)];
    const along = carriedBy(before, part.key);
    this.show(before.map((other) => (other.key === part.key || along.has(other.key)
      ? partOf(other.piece, { ...other.put, x: other.put.x + dx, y: other.put.y + dy }) : other)), part.key);
  },

  /** Turned about its middle, and all it carries with it. */
  turn(key, degrees) {
    const before = this.states[this.at].parts;
    const was = before.find((other) => other.key === key);
    const by = ((degrees - was.put.turn + 360) % 360) * (Math.PI / 180);
    const along = carriedBy(before, key);
    this.show(before.map((other) => {
      if (other.key === key) return partOf(other.piece, { ...other.put, turn: degrees });
      if (!along.has(other.key)) return other;
      const [x, y] = [other.put.x - was.put.x, other.put.y - was.put.y];
      const place = { x: Math.round(was.put.x + x * Math.cos(by) - y * Math.sin(by)), y: Math.round(was.put.y + x * Math.sin(by) + y * Math.cos(by)) };
      return partOf(other.piece, { ...other.put, ...place, turn: (other.put.turn + degrees - was.put.turn + 360) % 360 });
    }), key);
  },

  show(parts, key) {
    const before = new Set(this.parts);
    this.parts = parts;
    for (const part of parts) if (!before.has(part)) writeRow(part);
    judgeHere();
    if (key) say(this.describe(this.part(key), false));
  },

  change(key, put) {
    this.show(this.parts.map((other) => (other.key === key ? partOf(other.piece, { ...other.put, ...put }) : other)), key);
    this.commit();
  },

  lock(key) {
    this.change(key, { locked: !this.part(key).put.locked });
  },

  /** On top of another piece, in its middle unless it is over it already; null takes it down. */
  stack(key, on) {
    const part = this.part(key);
    const below = on === null ? null : this.part(on);
    if (on === key || (below && (carriedBy(this.parts, key).has(on)))) {
      say(`${below.piece.name} stands on ${part.piece.name}: take that down first.`);
      writeRow(part);
      return;
    }
    const over = below && overlap(cornersOf(part.piece, part.put), cornersOf(below.piece, below.put));
    const before = this.parts;
    if (below && !over) this.preview({ ...part, x: part.x + below.put.x - part.put.x, y: part.y + below.put.y - part.put.y });
    else this.parts = before;
    this.change(key, { on });
  },

  revert() {
    this.show(this.states[this.at].parts);
  },

  commit() {
    const before = this.states[this.at];
    if (!before || before.parts !== this.parts) this.commitNew();
  },

  go(by) {
    const state = this.states[this.at + by];
    if (!state) return;
    this.at += by;
    this.become(state.parts);
    say(by < 0 ? "Undone." : "Done again.");
  },

  become(parts) {
    this.parts = parts;
    const keys = new Set(parts.map((part) => part.key));
    for (const row of [...table.tBodies[0].rows]) if (!keys.has(row.dataset.row)) row.remove();
    const there = new Map([...table.tBodies[0].rows].map((row) => [row.dataset.row, row]));
    for (const part of parts) {
      if (!there.has(part.key)) table.tBodies[0].append(rowOf(part.piece));
    }
    membership();
    if (this.chosen && !keys.has(this.chosen)) this.choose(null);
    for (const part of parts) writeRow(part);
    changed();
  },

  /** Put a piece in: in the middle of what is seen; what hangs, at the middle of the first wall with hooks. */
  add(piece) {
    const { x, y, w, h } = board.view;
    const inside = (value, low, high) => Math.round(Math.min(Math.max(value, low), high));
    let put = { x: inside(x + w / 2, corner.x0, corner.x1), y: inside(y + h / 2, corner.y0, corner.y1), turn: 0, on: null, up: 0, locked: false };
    if (piece.stands === "wall") put = { ...put, ...hungAt(piece, booth) };
    this.become([...this.parts, partOf(piece, put)]);
    this.commitNew();
    this.choose(String(piece.id));
    board.shown.get(String(piece.id))?.focus();
    say(`${piece.name} is put in. Drag it to its place.`);
  },

  commitNew() {
    this.states.splice(this.at + 1);
    this.states.push({ parts: this.parts });
    this.at = this.states.length - 1;
    changed();
  },

  /** Taken out of the set; what stood on it is on the floor. */
  remove(key) {
    const { piece } = this.part(key);
    const left = this.parts.filter((part) => part.key !== key)
      .map((part) => (part.put.on === key ? partOf(part.piece, { ...part.put, on: null }) : part));
    this.become(left);
    this.commitNew();
    say(`${piece.name} is taken out. Undo brings it back.`);
  },

  figures(key, name = "x") {
    field(rowAt(key), name)?.focus();
  },

  value() {
    return valueOf(this.parts);
  },

  looked() {
    walls();
  },
};

const pieces = new Map([...document.querySelectorAll("[data-piece]")].filter((there) => !there.closest("template"))
  .map((there) => JSON.parse(there.dataset.piece)).map((piece) => [String(piece.id), piece]));
const board = new SetBoard(one("set-board"), draft, say, document.querySelector("#set-ground svg"));

function say(sentence) {
  if (one("set-said").textContent !== sentence) one("set-said").textContent = sentence;
}

// --- rows -----------------------------------------------------------------------------------------------------------------

function rowAt(key) {
  return table.querySelector(`tr[data-row="${key}"]`);
}

function writeRow({ key, piece, put }) {
  const row = rowAt(key);
  if (!row) return;
  const [w, d] = boxSize(piece, put.turn);
  const values = { x: writeLength(put.x - Math.floor(w / 2) - corner.x0), y: writeLength(put.y - Math.floor(d / 2) - corner.y0),
    t: String(put.turn), on: put.on ?? "", up: put.up ? writeLength(put.up) : "" };
  for (const [name, value] of Object.entries(values)) {
    const there = field(row, name);
    if (!there) continue;
    if (there.value !== value && document.activeElement !== there) there.value = value;
    there.removeAttribute("aria-invalid");
  }
  field(row, "locked").checked = put.locked;
  row.querySelector(".mistake").hidden = true;
}

/** Who may be chosen to stand on, the numbers, and what is left to put in: asked anew when pieces come or go. */
function membership() {
  const used = new Set(draft.parts.map((part) => part.put.on));
  const carriers = draft.parts.filter((part) => used.has(part.key) || (part.piece.carries && part.piece.stands !== "wall"));
  for (const part of draft.parts) {
    const row = rowAt(part.key);
    row.querySelector(".number").textContent = draft.number(part);
    const on = field(row, "on");
    if (on) optionsOf(on, carriers.filter((other) => other.key !== part.key).map((other) => [other.key, other.piece.name]));
  }
  listTray(pieces, new Set(draft.parts.map((part) => part.key)));
}

function takeRow(row) {
  const part = draft.part(row.dataset.row);
  const mistake = row.querySelector(".mistake");
  const wrong = (name, sentence) => {
    mistake.textContent = `✻ ${sentence}`;
    mistake.hidden = false;
    field(row, name).setAttribute("aria-invalid", "true");
  };
  for (const there of row.querySelectorAll("[aria-invalid]")) there.removeAttribute("aria-invalid");
  mistake.hidden = true;
  const turn = field(row, "t").value.replace("°", "").trim() || "0";
  if (!/^-?\d{1,4}$/.test(turn)) return wrong("t", `${turn} is no turn. Write whole degrees clockwise, like 90.`);
  const put = { ...part.put, turn: ((Number(turn) % 360) + 360) % 360, locked: field(row, "locked").checked };
  const size = boxSize(part.piece, put.turn);
  for (const [n, name] of ["x", "y"].entries()) {
    const length = readLength(field(row, name).value);
    if (length === null) return wrong(name, `${field(row, name).value || "Nothing"} is not a length. Write it like 2' 6".`);
    put[name] = length + Math.floor(size[n] / 2) + (n ? corner.y0 : corner.x0);
  }
  const up = field(row, "up");
  if (up) {
    put.up = up.value.trim() ? readLength(up.value) : 0;
    if (put.up === null || put.up < 0) return wrong("up", `${up.value} is no height. Write it like 4' 6".`);
  }
  const on = field(row, "on");
  const wanted = on ? on.value || null : null;
  const turned = put.turn !== part.put.turn;
  if (turned) {
    // Turned about its middle: places typed for the box of before would move it.
    draft.turn(part.key, put.turn);
    draft.commit();
  } else if (JSON.stringify(put) !== JSON.stringify(part.put)) {
    draft.preview({ ...part, x: part.x + put.x - part.put.x, y: part.y + put.y - part.put.y });
    draft.change(part.key, { up: put.up, locked: put.locked });
  }
  if (wanted !== part.put.on) draft.stack(part.key, wanted);
  setTimeout(() => writeRow(draft.part(part.key)));
  return undefined;
}

// --- what is wrong, here and on the server ----------------------------------------------------------------------------------

/** What can be told at once while something moves; the rest is the server's to say. */
function judgeHere() {
  const found = troubles(draft.parts, booth);
  const named = (key) => draft.part(key).piece.name;
  draft.trouble = troubleOfEach(found, named);
  const lines = troubleLines(found, named, draft.chosen);
  one("set-trouble").textContent = lines.slice(0, 3).join(" ") + (lines.length > 3 ? ` And ${lines.length - 3} more.` : "");
  acts(found);
}

/** What may be done with the chosen piece: put it on what it is over, take it down. */
function acts(found = null) {
  const part = draft.part(draft.chosen);
  for (const button of desk.querySelectorAll("[data-turn]")) button.disabled = !part || part.put.locked;
  one("set-down").hidden = !part || part.put.on === null;
  if (part && part.put.on !== null) one("set-down").textContent = `Take it down from ${draft.part(part.put.on)?.piece.name ?? "there"}`;
  if (!found && part) return;
  const over = part && part.piece.stands !== "wall" ? (found.get(part.key)?.over ?? []).map((key) => draft.part(key)) : [];
  const below = over.find((other) => other.piece.carries && other.piece.stands !== "wall" && levelOf(draft.parts, other.key) !== null);
  one("set-onto").hidden = !below;
  if (below) {
    one("set-onto").textContent = `Put it on ${below.piece.name}`;
    one("set-onto").dataset.on = below.key;
  }
}

let waiting = 0;
let asking = null;

function changed() {
  judgeHere();
  board.drawAnew();
  one("set-undo").disabled = draft.at <= 0;
  one("set-redo").disabled = draft.at >= draft.states.length - 1;
  one("set-state").textContent = unsaved() ? "Not saved yet." : "";
  clearTimeout(waiting);
  waiting = setTimeout(check, PAUSE_MS);
}

function unsaved() {
  return draft.saved !== JSON.stringify(draft.value());
}

function sent(address, signal) {
  return send(address, form.elements.csrf_token.value, { version: draft.version, pieces: draft.value() }, signal);
}

async function check() {
  asking?.abort();
  asking = new AbortController();
  try {
    const answer = await sent(desk.dataset.check, asking.signal);
    if (!answer.ok && answer.status !== 422) throw new Error(String(answer.status));
    const found = await answer.json();
    if (found.faults) return faults(found.faults);
    faults([]);
    const findings = found.findings.map((finding) => ({ ...finding, at: finding.at.length ? finding.at : middles(finding) }));
    board.marks(findings.filter((finding) => finding.stops && finding.at.length));
    listFindings(findings, point);
    showWalls(found.elevations);
    walls();
  } catch (error) {
    if (error.name !== "AbortError") one("set-found-state").textContent = "The office does not answer just now. It is asked again after the next change.";
  }
  return undefined;
}

function middles(finding) {
  return finding.pieces.map((id) => draft.part(String(id))).filter(Boolean).slice(0, 1).map((part) => [part.put.x, part.put.y]);
}

/** Show what a finding is about: its place, and its first piece. */
function point(n, finding, chosen) {
  board.point(n);
  const key = finding && String(finding.pieces[0]);
  if (chosen && key && draft.part(key)) {
    draft.choose(key);
    board.bringIntoView(key);
  }
}

function faults(found) {
  one("set-faults").replaceChildren(...found.map((fault) => Object.assign(document.createElement("p"), { className: "mistake", textContent: `✻ ${fault.sentence}` })));
  if (found.length) one("set-found-state").textContent = "It cannot be judged before this is mended.";
}

/** The walls at the scale that the plan has now, as far as there is room. */
function walls() {
  if (!board.view) return;
  const scale = board.scale();
  for (const drawn of document.querySelectorAll("#set-walls svg")) {
    drawn.setAttribute("width", Math.round(drawn.viewBox.baseVal.width * scale));
    drawn.setAttribute("height", Math.round(drawn.viewBox.baseVal.height * scale));
  }
}

// --- saving ------------------------------------------------------------------------------------------------------------------

async function save() {
  const value = draft.value();
  one("set-state").textContent = "Saving…";
  try {
    const answer = await sent(desk.dataset.save);
    if (![200, 409, 422].includes(answer.status)) throw new Error(String(answer.status));
    const said = await answer.json();
    if (answer.status === 409) return conflict(said);
    if (answer.status === 422) {
      faults(said.faults);
      one("set-state").textContent = "It is not saved.";
      return undefined;
    }
    opened(said.version, value);
    one("set-conflict").hidden = true;
    faults([]);
    one("set-state").textContent = said.sentence;
  } catch {
    one("set-state").textContent = "It is not saved: the office does not answer just now. What you laid out is still here; try again.";
  }
  return undefined;
}

/** The version everything is done against now, in every form of the page. */
function opened(version, base) {
  draft.version = version;
  draft.base = base;
  draft.saved = JSON.stringify(base);
  for (const there of document.querySelectorAll('input[name="version"]')) there.value = version;
}

function conflict(said) {
  one("set-state").textContent = "It is not saved.";
  one("set-conflict-words").textContent = said.sentence;
  one("set-conflict").hidden = false;
  one("set-conflict").focus();
  one("set-overlay").onclick = () => {
    const laid = overlaid(draft.base, draft.value(), said.pieces).filter((put) => pieces.has(String(put.piece)));
    opened(said.version, said.pieces);
    draft.become(laid.map((put) => partOf(pieces.get(String(put.piece)), putOf(put))));
    draft.commitNew();
    one("set-conflict").hidden = true;
    one("set-state").textContent = "Your changes are laid over theirs. Look at them, then save.";
    one("set-save").focus();
  };
}

// --- beginning -----------------------------------------------------------------------------------------------------------------

function begin() {
  const puts = JSON.parse(desk.dataset.pieces);
  draft.parts = puts.map((put) => partOf(pieces.get(String(put.piece)), putOf(put)));
  opened(Number(form.elements.version.value), draft.value());
  draft.states = [{ parts: draft.parts }];
  draft.at = 0;
  document.body.classList.add("set-scripted");
  desk.hidden = false;
  membership();
  board.whole();
  changed();
  // What is wrong already is said at once; the pause is for what is still being changed.
  clearTimeout(waiting);
  check();
}

function listen() {
  const chosen = (deed) => () => { if (draft.part(draft.chosen)) deed(draft.chosen); };
  one("set-undo").addEventListener("click", () => draft.go(-1));
  one("set-redo").addEventListener("click", () => draft.go(1));
  one("set-near").addEventListener("click", () => board.zoom(1.4));
  one("set-far").addEventListener("click", () => board.zoom(1 / 1.4));
  one("set-whole").addEventListener("click", () => board.whole());
  one("set-step").addEventListener("change", (event) => { board.grid = Number(event.target.value); });
  for (const button of desk.querySelectorAll("[data-turn]")) {
    button.addEventListener("click", chosen((key) => {
      draft.turn(key, (draft.part(key).put.turn + Number(button.dataset.turn) * TURN + 360) % 360);
      draft.commit();
    }));
  }
  one("set-onto").addEventListener("click", chosen((key) => draft.stack(key, one("set-onto").dataset.on)));
  one("set-down").addEventListener("click", chosen((key) => draft.stack(key, null)));
  one("set-all").addEventListener("click", (event) => {
    const all = document.body.classList.toggle("set-all");
    event.target.textContent = all ? "Show the chosen piece only" : "Show all pieces as a table";
  });
  one("set-save").addEventListener("click", save);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const put = event.submitter?.name === "put" ? pieces.get(event.submitter.value) : null;
    if (put) draft.add(put);
    else save();
  });
  table.addEventListener("change", (event) => {
    const row = event.target.closest("tr[data-row]");
    if (row) takeRow(row);
  });
  table.addEventListener("click", (event) => {
    const key = event.target.closest("[data-take]")?.closest("tr").dataset.row;
    if (draft.part(key)) draft.remove(key);
  });
  table.addEventListener("focusin", (event) => {
    const key = event.target.closest("tr[data-row]")?.dataset.row;
    if (key && draft.part(key)) draft.choose(key);
  });
  new ResizeObserver(walls).observe(one("set-board"));
  document.addEventListener("keydown", (event) => {
    const typing = event.target.matches("input:not([type=checkbox]), select, textarea");
    if (!(event.ctrlKey || event.metaKey) || typing) return;
    const key = event.key.toLowerCase();
    if (key !== "z" && key !== "y") return;
    event.preventDefault();
    draft.go(key === "y" || event.shiftKey ? 1 : -1);
  });
  addEventListener("beforeunload", (event) => { if (unsaved()) event.preventDefault(); });
}

begin();
listen();
