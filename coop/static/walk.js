// Keeps each mark of a walk as it is made, so that nothing is lost in an aisle. Without it a press keeps what is marked.

const form = document.getElementById("walk");
const said = document.getElementById("walk-said");
const counts = ["looked", "unlooked"];
let last = Promise.resolve();

function say(words) {
  if (said.textContent !== words) said.textContent = words;
}

async function keep(row) {
  const stay = row.dataset.stay;
  const how = row.querySelector(`[name="how-${stay}"]:checked`);
  if (!how) return;
  const sent = new FormData();
  sent.set("csrf_token", form.elements.csrf_token.value);
  sent.set(how.name, how.value);
  const note = row.querySelector(`[name="note-${stay}"]`).value;
  sent.set(`note-${stay}`, note);
  try {
    // Sent to its end even where the page is left at once.
    const answer = await fetch(form.action, { method: "POST", body: sent, keepalive: true });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (!answer.ok || !page.getElementById(counts[0])) throw new Error(page.querySelector(`#note-${stay}-wrong`)?.textContent.trim() ?? "");
    for (const id of counts) document.getElementById(id).textContent = page.getElementById(id).textContent;
    row.classList.add("walk-kept");
    const found = note ? `${how.value} (${note})` : how.value;
    say(`Kept: ${row.dataset.name}, ${how.value === "none" ? "not looked at" : found}.`);
  } catch (fault) {
    row.classList.remove("walk-kept");
    say(`Not kept: ${row.dataset.name}. ${fault.message.startsWith("✻") ? fault.message.slice(2) : "Press Keep it all when the office answers again."}`);
  }
}

form.addEventListener("change", (event) => {
  const row = event.target.closest("[data-stay]");
  // One after another: the last mark made is the one that stays.
  if (row) last = last.then(() => keep(row));
});
