// Moves ticked off in the booth: a tick shows at once, is kept on the phone, and is sent when there is a network. Without this
// each move's button sends its form.

const list = document.getElementById("moves");
const left = document.getElementById("moves-left");
const network = document.getElementById("moves-network");
const AGAIN_MS = 15000;

function key() {
  return `reset-ticks:${list.dataset.reset}:${list.dataset.plan}`;
}

/** Ticks not sent yet: by move number, whether it is done and when it was ticked. */
function kept() {
  try {
    return JSON.parse(localStorage.getItem(key()) ?? "{}");
  } catch {
    return {};
  }
}

function keep(ticks) {
  if (Object.keys(ticks).length) localStorage.setItem(key(), JSON.stringify(ticks));
  else localStorage.removeItem(key());
}

/** What was done when the server last said so, at its time; null before. */
function told() {
  try {
    return JSON.parse(localStorage.getItem(`${key()}:told`));
  } catch {
    return null;
  }
}

function tell(at, done) {
  localStorage.setItem(`${key()}:told`, JSON.stringify({ at, done }));
}

function say(place, words) {
  if (place.textContent !== words) place.textContent = words;
}

function items() {
  return [...list.querySelectorAll("li[data-number]")];
}

function show(item, isDone) {
  item.classList.toggle("ticked", isDone);
  item.querySelector(".tick").classList.toggle("second", isDone);
  item.querySelector(".tick-words").textContent = isDone ? "Take the tick back" : "Done";
  item.querySelector("input[name=done]").value = isDone ? "no" : "yes";
  const state = item.querySelector(".move-state");
  state.replaceChildren();
  if (isDone) {
    const mark = document.createElement("span");
    mark.className = "state done";
    mark.textContent = "● done";
    state.append(mark);
  }
}

function count() {
  const all = items();
  const open = all.filter((item) => !item.classList.contains("ticked"));
  say(left, open.length ? `${open.length} of ${all.length} to go.` : "Every move is done.");
}

function tellWaiting() {
  const waiting = Object.keys(kept()).length;
  if (!waiting) say(network, "");
  else say(network, `${waiting} ${waiting === 1 ? "tick is" : "ticks are"} kept on this phone, and sent when there is a network.`);
}

/** Ticks of one plan as the server takes them. */
function post(plan, ticks) {
  return fetch(list.dataset.ticks, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-CSRFToken": list.dataset.token, Accept: "application/json" },
    body: JSON.stringify({ plan, ticks: Object.entries(ticks).map(([n, tick]) => ({ move: Number(n), done: tick.done, at: tick.at })) }),
  });
}

/** Ticks kept when another order was on this phone: they were done all the same. */
async function sendOlder() {
  const start = `reset-ticks:${list.dataset.reset}:`;
  for (const name of Object.keys(localStorage)) {
    const plan = name.slice(start.length);
    if (!name.startsWith(start) || !/^\d+$/.test(plan) || plan === list.dataset.plan) continue;
    try {
      const answer = await post(Number(plan), JSON.parse(localStorage.getItem(name)));
      if (!answer.ok) continue;
      localStorage.removeItem(name);
      say(network, "Ticks of an earlier order were kept on this phone and are sent now. Open this page again: it says whether to work the order out again.");
    } catch {
      return;
    }
  }
}

let sending = false;

async function send() {
  const ticks = kept();
  const numbers = Object.keys(ticks);
  if (sending || !numbers.length) return;
  sending = true;
  try {
    const answer = await post(Number(list.dataset.plan), ticks);
    const type = answer.headers.get("Content-Type") ?? "";
    const said = type.includes("json") ? await answer.json() : {};
    if (answer.ok && said.done) {
      const now = kept();
      // What was ticked again meanwhile is sent in the next turn.
      for (const n of numbers) if (now[n] && now[n].at === ticks[n].at) delete now[n];
      keep(now);
      const done = new Set(said.done);
      for (const item of items()) {
        const n = item.dataset.number;
        if (!now[n]) show(item, done.has(Number(n)));
      }
      tell(said.at, said.done);
      count();
      tellWaiting();
      if (said.newer) say(network, "The order was worked out again since this page was opened: open it again, and go on from there.");
    } else {
      say(network, said.refused ?? "The ticks are kept on this phone, but were not taken: sign in again, and open this page.");
    }
  } catch {
    tellWaiting();
  } finally {
    sending = false;
  }
}

list?.addEventListener("submit", (event) => {
  const item = event.target.closest("li[data-number]");
  if (!item) return;
  event.preventDefault();
  const isDone = !item.classList.contains("ticked");
  const ticks = kept();
  ticks[item.dataset.number] = { done: isDone, at: new Date().toISOString() };
  keep(ticks);
  show(item, isDone);
  count();
  tellWaiting();
  if (isDone) {
    const next = items().find((other) => !other.classList.contains("ticked"));
    item.querySelector("details").open = false;
    if (next) {
      next.querySelector("details").open = true;
      next.scrollIntoView({ block: "center", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
      next.querySelector(".tick").focus({ preventScroll: true });
    }
  }
  send();
});

if (list) {
  // A page kept on the phone is older than what the server has said since; what was not sent is newer than both.
  const last = told();
  const done = last && last.at >= list.dataset.at ? new Set(last.done) : null;
  for (const item of items()) {
    if (done) show(item, done.has(Number(item.dataset.number)));
    const tick = kept()[item.dataset.number];
    if (tick) show(item, tick.done);
  }
  count();
  tellWaiting();
  send();
  sendOlder();
  addEventListener("online", send);
  addEventListener("online", sendOlder);
  setInterval(send, AGAIN_MS);
  if ("serviceWorker" in navigator) {
    // The worker keeps this page and what it is made of; it may serve only what lies below its own address.
    navigator.serviceWorker.register(list.dataset.worker).then(async () => {
      const worker = (await navigator.serviceWorker.ready).active;
      const files = [...document.querySelectorAll("link[rel=stylesheet], link[rel=icon]")].map((one) => one.href);
      for (const one of document.querySelectorAll("script[src]")) files.push(one.src);
      worker.postMessage({ keep: [location.pathname, ...files] });
    }).catch(() => {});
  }
}
