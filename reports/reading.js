/* Reads a drawn figure: a dot by pointer, finger or arrow keys, into the line under the figure; one
   span of time in all figures of the page; and buttons that choose what figures show. */
const NEAR = 22; /* pixels from a dot at which it is meant */
const KEYS = ["ArrowRight", "ArrowLeft", "ArrowUp", "ArrowDown", "Home", "End"];
const SPAN = "span_on"; /* the signal of charts whose time can be zoomed */
const DAYS_A_YEAR = 365.25;
const MS_A_DAY = 86400000;

/* The dots of a figure that say something, in lines: those of one mark, from left to right. */
function linesOf(view) {
  const lines = [];
  const [left, top] = view.origin();
  const { left: padLeft, top: padTop } = view.padding();
  const walk = (mark, x, y) => {
    if (mark.marktype === "group") {
      for (const group of mark.items) {
        for (const inner of group.items ?? []) walk(inner, x + (group.x || 0), y + (group.y || 0));
      }
      return;
    }
    const dots = (mark.items ?? []).filter((item) => item.tooltip && item.opacity !== 0).map((item) => ({
      item,
      x: x + (item.bounds.x1 + item.bounds.x2) / 2,
      y: y + (item.bounds.y1 + item.bounds.y2) / 2,
      size: Math.max(item.bounds.x2 - item.bounds.x1, item.bounds.y2 - item.bounds.y1),
    }));
    if (dots.length) lines.push(dots.sort((a, b) => a.x - b.x || a.y - b.y));
  };
  walk(view.scenegraph().root, left + padLeft, top + padTop);
  return lines;
}

/* What a dot stands for: names and values as the chart gives them, without those not known. */
function saidBy({ item: { tooltip } }) {
  const pairs = typeof tooltip === "object" ? Object.entries(tooltip) : [["", String(tooltip)]];
  return pairs.filter(([, value]) => value !== null && value !== "" && value !== "null");
}

function reader(place, view) {
  const line = place.parentElement.querySelector(".reading")
    ?? place.closest("[data-fleet]").querySelector(":scope > .reading");
  const ring = document.createElement("div");
  ring.className = "ring";
  ring.hidden = true;
  place.append(ring);
  let pointed = null;
  const first = linesOf(view);
  if (!first.length) return;

  const unpoint = () => { pointed = null; ring.hidden = true; line.replaceChildren(); };
  const point = (dot) => {
    if (pointed && dot.item === pointed.item && dot.x === pointed.x) return;
    pointed = dot;
    const size = Math.max(14, dot.size + 8);
    ring.style.cssText = `left:${dot.x - size / 2}px;top:${dot.y - size / 2}px;width:${size}px;height:${size}px`;
    ring.hidden = false;
    line.replaceChildren(...saidBy(dot).flatMap(([name, value], at) => {
      const told = document.createElement("span");
      const label = document.createElement("i");
      label.textContent = name && `${name} `;
      told.append(label, String(value));
      return at ? [" · ", told] : [told];
    }));
  };
  const at = (event) => {
    const box = place.getBoundingClientRect();
    const [x, y] = [event.clientX - box.left, event.clientY - box.top];
    let [found, least] = [null, NEAR];
    for (const dot of linesOf(view).flat()) {
      const away = Math.hypot(dot.x - x, dot.y - y);
      if (away < least) [found, least] = [dot, away];
    }
    if (found) point(found);
  };
  const next = (key) => {
    const lines = linesOf(view);
    const mine = lines.findIndex((dots) => dots.some((dot) => pointed && dot.item === pointed.item));
    if (mine < 0) return lines[0][0];
    const here = lines[mine].findIndex((dot) => dot.item === pointed.item);
    const dots = lines[mine];
    if (key === "Home") return dots[0];
    if (key === "End") return dots[dots.length - 1];
    if (key === "ArrowRight") return dots[Math.min(here + 1, dots.length - 1)];
    if (key === "ArrowLeft") return dots[Math.max(here - 1, 0)];
    const other = lines[mine + (key === "ArrowDown" ? 1 : -1)] ?? dots;
    const away = (dot) => Math.abs(dot.x - dots[here].x);
    return other === dots ? dots[here] : other.reduce((best, dot) => (away(dot) < away(best) ? dot : best));
  };

  place.tabIndex = 0;
  place.setAttribute("role", "application");
  place.setAttribute("aria-roledescription", "figure; arrow keys go from dot to dot");
  place.addEventListener("pointermove", at);
  place.addEventListener("pointerdown", at);
  place.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    if (event.key === "Escape") unpoint();
    else if (event.key === "Enter" && pointed?.item.href) location.href = pointed.item.href;
    else if (KEYS.includes(event.key)) { event.preventDefault(); point(next(event.key)); }
  });
  resettings.push(() => { if (pointed) unpoint(); });
}
const resettings = []; /* called where dots move away from what is said of them */

/* One span of time: whatever figure is zoomed, the others of the page follow. */
let followed = false;
function setSpan(span, but) {
  if (followed) return;
  followed = true;
  const others = [...drawings.values()].filter(({ view }) => view && view !== but && hasSpan(view));
  Promise.all(others.map(({ view }) => view.signal(SPAN, span).runAsync())).finally(() => { followed = false; });
  for (const reset of resettings) reset();
}
const hasSpan = (view) => takes(view, SPAN);
let spanNow = null;

function linked(place, view) {
  if (!hasSpan(view)) return;
  drawings.get(place).last = endOf(view);
  if (spanNow) view.signal(SPAN, spanNow).runAsync();
  view.addSignalListener(SPAN, (_, span) => {
    if (followed) return;
    spanNow = span;
    setSpan(span, view);
  });
}

/* Buttons: a parameter of every figure that has it, or the last years of the time that is drawn. */
const chosen = {};
function takes(view, name) {
  try { view.signal(name); return true; } catch { return false; }
}
function choose(name, value) {
  chosen[name] = value;
  for (const { view } of drawings.values()) {
    if (view && takes(view, name)) view.signal(name, value).runAsync();
  }
  for (const words of document.querySelectorAll(`[data-when="${name}"]`)) words.hidden = words.dataset.is !== value;
  for (const reset of resettings) reset();
}
function lastYears(years) {
  const ends = [...drawings.values()].map(({ last }) => last).filter(Number.isFinite);
  if (!ends.length) return;
  const end = Math.max(...ends);
  spanNow = years ? [end - years * DAYS_A_YEAR * MS_A_DAY, end] : null;
  setSpan(spanNow, null);
}
/* Where the time of a figure ends, as drawn at first. */
function endOf(view) {
  for (const name of ["x", "concat_0_x"]) {
    try { return Number(view.scale(name).domain()[1]); } catch { /* of another name */ }
  }
  return NaN;
}
for (const choices of document.querySelectorAll(".choice")) {
  const { param } = choices.dataset;
  const buttons = [...choices.querySelectorAll("button")];
  for (const button of buttons) {
    button.addEventListener("click", () => {
      for (const other of buttons) other.setAttribute("aria-pressed", String(other === button));
      if (param === "span") lastYears(Number(button.value));
      else choose(param, button.value);
    });
  }
  choices.hidden = false;
}

onDrawn.push(reader, linked, (_, view) => {
  for (const [name, value] of Object.entries(chosen)) if (takes(view, name)) view.signal(name, value).runAsync();
});
