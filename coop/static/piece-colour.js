// Colors of a piece: picked from a photo that stays on this device, each put into the next field that has none.

const FOUND = 6;
const LONGEST = 480;

const section = document.getElementById("from-photo");
const rows = [...document.querySelectorAll("[data-colour]")].map((row) => ({
  has: row.querySelector("input[type=checkbox]"),
  colour: row.querySelector("input[type=color]"),
}));

for (const row of rows) row.colour.addEventListener("input", () => { row.has.checked = true; });
if (section && rows.length) {
  section.hidden = false;
  begin();
}

function hex(red, green, blue) {
  return "#" + [red, green, blue].map((part) => Math.round(part).toString(16).padStart(2, "0")).join("");
}

function begin() {
  const canvas = document.getElementById("photo-canvas");
  const shown = document.getElementById("photo-shown");
  const found = document.getElementById("photo-found");
  const said = document.getElementById("photo-said");
  const pen = canvas.getContext("2d", { willReadFrequently: true });
  let photo = null;
  let mark = { x: 0, y: 0 };

  function draw(withMark) {
    pen.drawImage(photo, 0, 0, canvas.width, canvas.height);
    if (!withMark) return;
    for (const [colour, width] of [["#ffffff", 5], ["#000000", 2]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = width;
      pen.beginPath();
      pen.arc(mark.x, mark.y, 9, 0, 2 * Math.PI);
      pen.stroke();
    }
  }

  // The middle of a few pixels: one alone may be a speck.
  function colourAt(x, y) {
    draw(false);
    const left = Math.max(0, Math.round(x) - 2);
    const top = Math.max(0, Math.round(y) - 2);
    const data = pen.getImageData(left, top, Math.min(5, canvas.width - left), Math.min(5, canvas.height - top)).data;
    const sums = [0, 0, 0];
    for (let n = 0; n < data.length; n += 4) for (let part = 0; part < 3; part += 1) sums[part] += data[n + part];
    return hex(...sums.map((sum) => sum / (data.length / 4)));
  }

  function take(colour) {
    const free = rows.findIndex((row) => !row.has.checked);
    const at = free < 0 ? rows.length - 1 : free;
    rows[at].colour.value = colour;
    rows[at].has.checked = true;
    said.textContent = free < 0 ? `All colors were taken: color ${at + 1} is ${colour} now.` : `Color ${at + 1} is ${colour}.`;
  }

  // The colors most of the photo is of, those that look nearly like one taken already left out.
  function mostOf() {
    draw(false);
    const data = pen.getImageData(0, 0, canvas.width, canvas.height).data;
    const bins = new Map();
    for (let n = 0; n < data.length; n += 4) {
      const key = ((data[n] >> 4) << 8) | ((data[n + 1] >> 4) << 4) | (data[n + 2] >> 4);
      const bin = bins.get(key) || { count: 0, sums: [0, 0, 0] };
      bin.count += 1;
      for (let part = 0; part < 3; part += 1) bin.sums[part] += data[n + part];
      bins.set(key, bin);
    }
    const chosen = [];
    for (const bin of [...bins.values()].sort((a, b) => b.count - a.count)) {
      const colour = bin.sums.map((sum) => sum / bin.count);
      if (chosen.every((other) => Math.hypot(...other.map((part, n) => part - colour[n])) > 48)) chosen.push(colour);
      if (chosen.length === FOUND) break;
    }
    return chosen.map((colour) => hex(...colour));
  }

  function swatch(colour) {
    const space = "http://www.w3.org/2000/svg";
    const svg = document.createElementNS(space, "svg");
    svg.setAttribute("class", "swatch");
    svg.setAttribute("viewBox", "0 0 20 20");
    svg.setAttribute("aria-hidden", "true");
    const patch = document.createElementNS(space, "rect");
    for (const [name, value] of [["width", 20], ["height", 20], ["fill", colour]]) patch.setAttribute(name, value);
    svg.append(patch);
    return svg;
  }

  document.getElementById("photo").addEventListener("change", async (event) => {
    const file = event.target.files[0];
    if (!file) return;
    try {
      photo = await createImageBitmap(file);
    } catch {
      said.textContent = "This file is no photo that can be shown here: choose a JPEG or PNG.";
      shown.hidden = true;
      return;
    }
    const part = Math.min(1, LONGEST / Math.max(photo.width, photo.height));
    canvas.width = Math.max(1, Math.round(photo.width * part));
    canvas.height = Math.max(1, Math.round(photo.height * part));
    mark = { x: canvas.width / 2, y: canvas.height / 2 };
    found.replaceChildren(...mostOf().map((colour) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "second";
      button.append(swatch(colour), colour);
      button.addEventListener("click", () => take(colour));
      return button;
    }));
    draw(true);
    shown.hidden = false;
    said.textContent = "";
  });

  canvas.addEventListener("click", (event) => {
    if (!photo) return;
    const box = canvas.getBoundingClientRect();
    mark = { x: ((event.clientX - box.left) * canvas.width) / box.width, y: ((event.clientY - box.top) * canvas.height) / box.height };
    take(colourAt(mark.x, mark.y));
    draw(true);
  });

  canvas.addEventListener("keydown", (event) => {
    const step = event.shiftKey ? 20 : 5;
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (!photo || !(event.key in moves || event.key === "Enter" || event.key === " ")) return;
    event.preventDefault();
    if (event.key in moves) {
      mark.x = Math.min(canvas.width - 1, Math.max(0, mark.x + moves[event.key][0]));
      mark.y = Math.min(canvas.height - 1, Math.max(0, mark.y + moves[event.key][1]));
    } else take(colourAt(mark.x, mark.y));
    draw(true);
  });
}
