// A month of turns by mouse and keyboard: a turn opens where it stands, members and turns are dragged, and what a move breaks is
// said before it is made. Without this each turn leads to its own page, whose form does the same.

const PAUSE_MS = 120;
const PARTS = [".lead", "#after", "#figures"];
const one = (id) => document.getElementById(id);
const main = one("main");
const isMonth = one("figures") !== null;

document.documentElement.classList.add("scripted");

function parse(html) {
  return new DOMParser().parseFromString(html, "text/html");
}

function say(words) {
  const said = one("rota-said");
  if (said && said.textContent !== words) said.textContent = words;
}

function words(part) {
  return part ? part.textContent.replace(/\s+/g, " ").trim() : "";
}

/** A page that is sent something, or asked: its document, and whether that was done. A page of another kind is gone to. */
async function ask(address, fields) {
  const how = fields ? { method: "POST", body: new URLSearchParams(fields) } : {};
  const answer = await fetch(address, { ...how, headers: { Accept: "text/html" }, cache: "no-store" });
  return { page: parse(await answer.text()), done: answer.ok, address: answer.url };
}

// --- what it would break --------------------------------------------------------------------------------------------------

let wanted = 0;

/** Show in `place` what the server says of a move that is thought of; only the last one asked for is shown. */
async function showWould(address, place) {
  const mine = ++wanted;
  await new Promise((after) => setTimeout(after, PAUSE_MS));
  if (mine !== wanted) return;
  try {
    const { page, done } = await ask(address);
    if (mine === wanted && done) place.replaceChildren(...page.body.childNodes);
  } catch {
    if (mine === wanted) place.replaceChildren("The office does not answer just now.");
  }
}

function forgetWould(place) {
  wanted += 1;
  if (place) place.replaceChildren();
}

document.addEventListener("change", (event) => {
  const form = event.target.closest("form[data-move]");
  if (!form || event.target.name !== "member") return;
  const place = form.querySelector("#would");
  if (event.target.value) showWould(`${form.dataset.move}?member=${encodeURIComponent(event.target.value)}`, place);
  else forgetWould(place);
});

// --- done in place --------------------------------------------------------------------------------------------------------

/** The month as it is now, with the keyboard where it was. */
function show({ page, address }, turn) {
  if (!page.getElementById("figures")) {
    location.assign(address);
    return;
  }
  for (const what of PARTS) {
    const here = document.querySelector(what);
    const there = page.querySelector(what);
    if (here && there) here.replaceWith(document.importNode(there, true));
  }
  history.replaceState(null, "", address.replace(/#.*/, ""));
  const last = document.querySelector("#rota-last");
  say(words(last && last.querySelector("p")) + (last ? ` ${words(last.querySelector("ul"))}` : ""));
  const link = turn && document.querySelector(`#turn-${turn} a`);
  if (link) link.focus({ preventScroll: true });
}

function refusal(page) {
  return words(page.querySelector(".mistake") || page.querySelector("main h1 + p")) || "It was not done.";
}

/** Send a move. What is refused is said, and nothing has changed then. */
async function send(address, fields, turn) {
  const { csrf_token, version } = Object.fromEntries(new FormData(one("rota-drag")));
  try {
    const answer = await ask(address, { csrf_token, version, ...fields });
    if (answer.done) show(answer, turn);
    else tell(refusal(answer.page));
  } catch {
    tell("The office does not answer just now. Nothing was moved.");
  }
}

function tell(sentence) {
  const line = one("rota-line");
  const told = document.createElement("p");
  told.className = "mistake";
  told.textContent = `✻ ${sentence.replace(/^✻\s*/, "")}`;
  line.replaceChildren(told);
  say(sentence);
}

// --- a turn, opened where it stands ---------------------------------------------------------------------------------------

const box = document.createElement("dialog");
box.className = "rota-box";
box.setAttribute("aria-labelledby", "turn-heading");
let opened = null;

function fill(page) {
  const turn = document.importNode(page.getElementById("turn"), true);
  const heading = document.createElement("h2");
  heading.id = "turn-heading";
  heading.append(...turn.querySelector("h1").childNodes);
  turn.querySelector("h1").replaceWith(heading);
  turn.removeAttribute("aria-labelledby");
  const close = document.createElement("button");
  close.type = "button";
  close.className = "quiet";
  close.textContent = "Close";
  close.addEventListener("click", () => box.close());
  box.replaceChildren(turn, close);
  const first = box.querySelector("[autofocus], select") || close;
  if (box.open) first.focus();
  return first;
}

async function open(item, member = "") {
  const address = item.querySelector("a").href;
  try {
    const { page } = await ask(member ? `${address}?member=${member}` : address);
    if (!page.getElementById("turn")) {
      location.assign(address);
      return;
    }
    opened = item.dataset.turn;
    const first = fill(page);
    box.showModal();
    first.focus();
  } catch {
    tell("The office does not answer just now.");
  }
}

box.addEventListener("close", () => {
  forgetWould(null);
  box.replaceChildren();
  const link = document.querySelector(`#turn-${opened} a`);
  if (link) link.focus({ preventScroll: true });
});

document.addEventListener("click", (event) => {
  const link = isMonth && event.target.closest(".turn a");
  if (!link || event.button !== 0 || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
  event.preventDefault();
  open(link.closest(".turn"));
});

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!isMonth || form.method !== "post" || !form.closest(".rota-box, #rota-last")) return;
  event.preventDefault();
  try {
    const answer = await ask(form.action, new FormData(form));
    if (answer.done || !box.open || !answer.page.getElementById("turn")) {
      const turn = opened || (form.closest("#rota-last") || {}).dataset?.turn;
      if (box.open) box.close();
      if (answer.done) show(answer, turn);
      else tell(refusal(answer.page));
    } else {
      fill(answer.page);
    }
  } catch {
    if (box.open) box.close();
    tell("The office does not answer just now. Nothing was moved.");
  }
});

// --- the days by keyboard -------------------------------------------------------------------------------------------------

document.addEventListener("keydown", (event) => {
  const way = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
  const link = way && event.target.closest(".rota-month .turn a");
  if (!link || event.ctrlKey || event.metaKey || event.altKey || event.shiftKey) return;
  const days = [...document.querySelectorAll(".rota-month .day")].filter((day) => day.querySelector(".turn a"));
  const next = days[days.indexOf(link.closest(".day")) + way];
  if (next) {
    event.preventDefault();
    next.querySelector(".turn a").focus();
  }
});

// --- dragging -------------------------------------------------------------------------------------------------------------

let held = null;
let over = null;

/** Turns and members can be dragged whenever the page shows them anew; not while a draft goes on. */
function prepare() {
  if (!one("rota-drag")) return;
  for (const link of document.querySelectorAll(".turn a, tr[data-member] a")) link.draggable = false;
  for (const part of document.querySelectorAll(".turn:not(.shut), tr[data-member]")) part.draggable = true;
}

function placeOf(target) {
  const part = target instanceof Element && target.closest(".turn:not(.shut), tr[data-member]");
  if (!part || !held || part === held) return null;
  const isTurn = part.classList.contains("turn");
  const heldTurn = held.classList.contains("turn");
  // A member onto a member is nothing; and of a published rota each is moved by itself, with consent.
  if (!isTurn && !heldTurn) return null;
  return isTurn && heldTurn && one("rota-drag").dataset.published === "yes" ? null : part;
}

/** The move that letting go here makes: where it is sent, with what, and where it is asked about. */
function moveTo(part) {
  const turn = held.classList.contains("turn") ? held : part;
  const address = turn.querySelector("a").href;
  if (part.classList.contains("turn") && held.classList.contains("turn")) {
    return { turn, address: `${address}/exchange`, fields: { other: part.dataset.turn, locks: "both" }, would: `${address}/would?with=${part.dataset.turn}` };
  }
  const member = (turn === held ? part : held).dataset.member || "nobody";
  const lock = member === "nobody" ? {} : { lock: "yes" };
  return { turn, address: `${address}/move`, fields: { member, had: turn.dataset.had, ...lock }, would: `${address}/would?member=${member}`, member };
}

function mark(part) {
  if (over === part) return;
  if (over) over.classList.remove("over");
  over = part;
  const line = one("rota-line");
  if (!part) {
    forgetWould(line);
    return;
  }
  part.classList.add("over");
  showWould(moveTo(part).would, line);
}

if (isMonth) {
  main.append(box);
  prepare();
  new MutationObserver(prepare).observe(main, { childList: true });
  main.addEventListener("dragstart", (event) => {
    held = event.target instanceof Element && event.target.closest('[draggable="true"]');
    if (!held) return;
    event.dataTransfer.effectAllowed = "move";
    event.dataTransfer.setData("text/plain", held.dataset.name || held.dataset.said || "");
    held.classList.add("held");
  });
  for (const moved of ["dragenter", "dragover"]) {
    main.addEventListener(moved, (event) => {
      const part = placeOf(event.target);
      mark(part);
      if (part) event.preventDefault();
    });
  }
  main.addEventListener("drop", (event) => {
    const part = placeOf(event.target);
    if (!part) return;
    event.preventDefault();
    const { turn, address, fields, member } = moveTo(part);
    mark(null);
    if (one("rota-drag").dataset.published === "yes" && member) open(turn, member);
    else send(address, fields, turn.dataset.turn);
  });
  main.addEventListener("dragend", () => {
    if (held) held.classList.remove("held");
    mark(null);
    held = null;
  });
}
