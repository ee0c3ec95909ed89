// The film's page: marks are dragged here, and measured by the server.
"use strict";

const page = document.getElementById("film");
const film = page.dataset.film;
const state = JSON.parse(page.dataset.state);
const start = JSON.stringify(state.marks);
const svg = document.getElementById("view");
const NAMES = ["tip", "carina"];
const STEP_PX = 1;
const STEPS_WITH_SHIFT = 10;
const CLOSE_SHARE = 0.4;
// Where a mark waits that nobody has found: shares of the film's height, at its middle.
const UNPLACED = { tip: 0.3, carina: 0.42 };

const SHAPES = {
  tip: '<circle class="hit" r="26"/><circle class="halo" r="10"/><circle class="ink" r="10"/><path class="ink" d="M-24 0H-10M10 0H24"/>',
  carina: '<circle class="hit" r="26"/><path class="halo" d="M-17 21L0 0L17 21"/><path class="ink" d="M-17 21L0 0L17 21"/>',
};

function element(id) {
  return document.getElementById(id);
}

// Places

function place(name) {
  const byHand = state.marks[name];
  if (byHand) {
    return { x: byHand[1] + 0.5, y: (byHand[0] + 0.5) * state.aspect, source: "hand" };
  }
  const found = state.view[name];
  if (found) {
    return found;
  }
  return { x: state.width / 2, y: state.height * UNPLACED[name], source: "unplaced" };
}

function pixelsPerUnit() {
  return svg.clientWidth / svg.viewBox.baseVal.width || 1;
}

function draw() {
  const scale = 1 / pixelsPerUnit();
  for (const name of NAMES) {
    const at = place(name);
    const mark = element(name);
    mark.setAttribute("transform", `translate(${at.x} ${at.y}) scale(${scale})`);
    mark.dataset.source = at.source;
    mark.setAttribute("aria-valuenow", String(Math.round(at.y)));
    const row = Math.round(at.y / state.aspect - 0.5);
    const word = { hand: "placed by hand", proposed: "proposed", unplaced: "not placed" }[at.source];
    mark.setAttribute("aria-valuetext", `row ${row}, column ${Math.round(at.x - 0.5)}, ${word}`);
  }
  drawRuler();
}

function drawRuler() {
  const lines = state.view.zone.map(
    (side) => `<polyline class="zone" points="${side.map((at) => at.join(",")).join(" ")}"/>`,
  );
  const half = 5 / pixelsPerUnit();
  for (const [x, y] of state.view.ticks) {
    lines.push(`<line class="tick" x1="${x - half}" y1="${y}" x2="${x + half}" y2="${y}"/>`);
  }
  element("ruler").innerHTML = lines.join("");
}

function move(name, x, y) {
  const column = Math.min(Math.max(x - 0.5, 0), state.width - 1);
  const row = Math.min(Math.max(y / state.aspect - 0.5, 0), state.height / state.aspect - 1);
  state.marks[name] = [row, column];
  state.marks.no_tube = false;
  state.marks.no_carina = false;
  draw();
  measure();
}

// The answer

let asking = false;
let askAgain = false;

async function measure() {
  if (asking) {
    askAgain = true;
    return;
  }
  asking = true;
  do {
    askAgain = false;
    await ask();
  } while (askAgain);
  asking = false;
}

async function ask() {
  let said;
  try {
    const answer = await fetch(`/films/${film}/assess`, {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Form-Token": page.dataset.token },
      body: JSON.stringify(state.marks),
    });
    said = await answer.json();
    if (!answer.ok) {
      say({ trouble: said.trouble || said.error || "It could not be measured." });
      return;
    }
  } catch {
    say({ trouble: "The service does not answer; nothing here is up to date. Try again in a moment." });
    return;
  }
  state.view = said;
  say(said);
  draw();
}

function say(said) {
  const trouble = element("trouble");
  trouble.hidden = !said.trouble;
  trouble.textContent = said.trouble || "";
  element("say").classList.toggle("stale", Boolean(said.trouble));
  element("confirm").disabled = Boolean(said.trouble);
  if (said.trouble) {
    return;
  }
  element("headline").textContent = said.headline;
  element("place").textContent = said.place;
  element("reason").textContent = said.reason;
  element("check").textContent = said.check;
  element("noted").textContent = said.noted.join(" ");
  element("screen").textContent = said.screen;
  const changed = JSON.stringify(state.marks) !== start;
  element("say").className = `say ${said.urgency.replace(" ", "-")} ${changed ? "open" : element("say").dataset.open}`;
  element("undo").hidden = !changed;
  element("said").classList.toggle("changed", changed);
  element("confirm").textContent = changed ? "Confirm with your changes" : "Confirm what is marked";
  element("marks").value = JSON.stringify(state.marks);
}

// Pointer and keyboard

function pointOf(event) {
  return new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
}

function bind(name) {
  const mark = element(name);
  mark.innerHTML = SHAPES[name];
  let grip = null;
  mark.addEventListener("pointerdown", (event) => {
    const at = place(name);
    const point = pointOf(event);
    // The mark moves by as much as the finger: it need not lie under it.
    grip = { x: at.x - point.x, y: at.y - point.y };
    mark.setPointerCapture(event.pointerId);
    mark.focus({ preventScroll: true });
    event.preventDefault();
  });
  mark.addEventListener("pointermove", (event) => {
    if (grip) {
      const point = pointOf(event);
      move(name, point.x + grip.x, point.y + grip.y);
    }
  });
  for (const end of ["pointerup", "pointercancel"]) {
    mark.addEventListener(end, () => {
      grip = null;
    });
  }
  mark.addEventListener("keydown", (event) => {
    const step = STEP_PX * (event.shiftKey ? STEPS_WITH_SHIFT : 1);
    const way = { ArrowUp: [0, -step], ArrowDown: [0, step], ArrowLeft: [-step, 0], ArrowRight: [step, 0] }[event.key];
    if (way) {
      const at = place(name);
      move(name, at.x + way[0], at.y + way[1]);
      event.preventDefault();
    }
  });
}

// View

function closer(on) {
  element("closer").setAttribute("aria-pressed", String(on));
  let box = [0, 0, state.width, state.height];
  if (on) {
    const marks = NAMES.map(place);
    const side = CLOSE_SHARE * Math.max(state.width, state.height);
    const x = (marks[0].x + marks[1].x) / 2 - side / 2;
    const y = (marks[0].y + marks[1].y) / 2 - side / 2;
    box = [x, y, side, side];
  }
  svg.setAttribute("viewBox", box.join(" "));
  draw();
}

function light() {
  const filter = `brightness(${element("bright").value}%) contrast(${element("contrast").value}%)`;
  element("pixels").style.filter = filter;
}

function typed(id, key) {
  element(id).addEventListener("input", (event) => {
    state.marks[key] = event.target.type === "number" ? event.target.valueAsNumber || null : event.target.value;
    measure();
  });
}

function undo() {
  state.marks = JSON.parse(start);
  element("lip").value = state.marks.lip_mark_cm ?? "";
  element("size").value = state.marks.tube_size_mm ?? "";
  element("neck").value = state.marks.neck;
  measure();
}

NAMES.forEach(bind);
typed("lip", "lip_mark_cm");
typed("size", "tube_size_mm");
typed("neck", "neck");
element("closer").addEventListener("click", () => closer(element("closer").getAttribute("aria-pressed") !== "true"));
element("bright").addEventListener("input", light);
element("contrast").addEventListener("input", light);
element("undo").addEventListener("click", undo);
new ResizeObserver(draw).observe(svg);
say(state.view);
draw();
page.dataset.ready = "yes";
