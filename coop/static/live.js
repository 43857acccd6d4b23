// Keeps the steps of a month-end as they are, once a second, until it ends. Without it the page has a Refresh link.

const EVERY_MS = 1000;
const SLOWEST_MS = 15000;

const place = document.getElementById("live");
const line = document.getElementById("progress-line");
let wait = EVERY_MS;

function steps() {
  return document.getElementById("steps");
}

function say(words) {
  // Written only when it differs, so that it is read out only then.
  if (line.textContent !== words) line.textContent = words;
}

function parse(html) {
  return new DOMParser().parseFromString(html, "text/html");
}

async function fetchPage(address) {
  const answer = await fetch(address, { headers: { Accept: "text/html" }, redirect: "error", cache: "no-store" });
  if (!answer.ok) throw new Error(String(answer.status));
  return parse(await answer.text());
}

async function showFigures() {
  const page = await fetchPage(location.pathname);
  for (const what of ["#figures", ".lead", "#after"]) {
    const here = document.querySelector(what);
    const there = page.querySelector(what);
    if (here && there) here.replaceWith(document.importNode(there, true));
    else if (here) here.remove();
  }
}

async function look() {
  if (document.hidden) return true;
  const fresh = (await fetchPage(place.dataset.address)).getElementById("steps");
  if (!fresh) throw new Error("no steps");
  const had = steps();
  if (fresh.outerHTML !== had.outerHTML) had.replaceWith(document.importNode(fresh, true));
  say(steps().dataset.line);
  if (steps().dataset.ended !== "yes") return true;
  await showFigures();
  return false;
}

async function keepLooking() {
  let more = true;
  try {
    more = await look();
    wait = EVERY_MS;
  } catch {
    say("The office does not answer just now. This page goes on trying.");
    wait = Math.min(wait * 2, SLOWEST_MS);
  }
  if (more) setTimeout(keepLooking, wait);
}

if (place && line) {
  say(steps().dataset.line);
  if (steps().dataset.ended !== "yes") setTimeout(keepLooking, EVERY_MS);
}
