// The page of a set beside its plan: rows of pieces, what is left to put in, findings, and the walls.

const one = (id) => document.getElementById(id);

export function field(row, name) {
  return row.querySelector(`[data-field="${name}"]`);
}

/** A new row for a piece, from the page's template. */
export function rowOf(piece) {
  const holder = document.createElement("tbody");
  holder.innerHTML = one(piece.stands === "wall" ? "set-row-wall" : "set-row").innerHTML.replaceAll("__row__", String(piece.id));
  const row = holder.firstElementChild;
  for (const name of row.querySelectorAll(".named")) name.textContent = piece.name;
  for (const size of row.querySelectorAll(".sized")) size.textContent = piece.said;
  return row;
}

/** Have a list offer the floor and these [value, words], keeping what is chosen. */
export function optionsOf(select, choices) {
  const had = select.value;
  const made = [["", "the floor"], ...choices].map(([value, words]) => Object.assign(document.createElement("option"), { value, textContent: words }));
  select.replaceChildren(...made);
  select.value = had;
}

/** Pieces that are not in the set, each with its button. */
export function listTray(pieces, there) {
  const list = one("set-tray");
  for (const item of list.querySelectorAll("li[data-piece]")) item.hidden = there.has(String(JSON.parse(item.dataset.piece).id));
  for (const [key, piece] of pieces) {
    if (there.has(key) || list.querySelector(`button[value="${key}"]`)) continue;
    const item = document.createElement("li");
    item.dataset.piece = JSON.stringify(piece);
    item.innerHTML = one("set-tray-item").innerHTML.replaceAll("__row__", key);
    for (const name of item.querySelectorAll(".named")) name.textContent = piece.name;
    item.querySelector(".sized").textContent = piece.said;
    list.append(item);
  }
  one("set-tray-none").hidden = [...list.children].some((item) => !item.hidden);
}

/** Findings in two lists: what is against the set, and what is to be thought of. `point` shows where one is. */
export function listFindings(findings, point) {
  let n = 0;
  const items = { against: [], think: [] };
  for (const finding of findings) {
    const item = document.createElement("li");
    const button = Object.assign(document.createElement("button"), { type: "button", className: "quiet", textContent: finding.sentence });
    const number = finding.stops && finding.at.length ? n++ : -1;
    for (const event of ["focus", "mouseenter"]) button.addEventListener(event, () => point(number, finding, false));
    button.addEventListener("click", () => point(number, finding, true));
    for (const event of ["blur", "mouseleave"]) button.addEventListener(event, () => point(-1));
    item.append(button);
    if (finding.source) item.append(Object.assign(document.createElement("small"), { textContent: ` ${finding.source}` }));
    items[finding.stops ? "against" : "think"].push(item);
  }
  one("set-against").replaceChildren(...items.against);
  one("set-think").replaceChildren(...items.think);
  one("set-think-part").hidden = !items.think.length;
  one("set-think-count").textContent = items.think.length;
  const count = items.against.length;
  const said = count ? `${count} ${count === 1 ? "thing is" : "things are"} found against it.` : "Nothing is found against it.";
  if (one("set-found-state").textContent !== said) one("set-found-state").textContent = said;
}

/** The walls as the server drew them. */
export function showWalls(walls) {
  one("set-walls").replaceChildren(...walls.map(({ name, svg }) => {
    const figure = document.createElement("figure");
    const caption = Object.assign(document.createElement("figcaption"), { textContent: name });
    const drawn = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
    figure.append(caption, document.importNode(drawn, true));
    return figure;
  }));
}
