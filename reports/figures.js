/* Draws each figure over the rows that its page carries: when it comes into view, and all before
   printing.  SPECS and CONFIG stand before this in the same closure. */
"use strict";
const WAITS = "This figure could not be drawn.";
const NARROW = 560; /* below this width labels stand within a figure */
const EMPTY = "No rows on record for this figure.";
const drawings = new Map(); /* element -> what is drawn in it */
const onDrawn = []; /* called with each element and view once it is drawn */

/* A bare date would be read as one of Greenwich, and show the day before in America. */
const DAY = /^\d{4}-\d\d-\d\d$/;
const ofHere = (value) => (typeof value === "string" && DAY.test(value) ? `${value}T00:00:00` : value);

/* A column as an array, from an array, from runs of one value, from places in a list, or from a day
   and how many days each is after the one before it. */
function column(given) {
  if (Array.isArray(given)) return given;
  const { runs, of, at, since, days } = given;
  if (since) return daysSince(since, column(days));
  if (of) return at.map((place) => of[place]);
  return runs.flatMap((value, place) => (place % 2 ? [] : Array(runs[place + 1]).fill(value)));
}

function daysSince(since, days) {
  const at = new Date(since); /* midnight of Greenwich, whose days are all as long */
  return days.map((step) => {
    if (step === null) return null;
    at.setUTCDate(at.getUTCDate() + step);
    return at.toISOString().slice(0, 10);
  });
}

/* Rows as objects, from their columns. */
function objects(columns) {
  const named = Object.entries(columns).map(([name, given]) => [name, column(given)]);
  const many = named.length ? named[0][1].length : 0;
  return Array.from({ length: many }, (_, at) =>
    Object.fromEntries(named.map(([name, values]) => [name, ofHere(values[at])])));
}

function say(place, words) {
  const sentence = document.createElement("p");
  sentence.className = "note";
  sentence.textContent = words;
  place.replaceChildren(sentence);
}

/* Leaves out of a column the views that have no row: those named after a panel, or a data set. */
function withRows(spec) {
  const drawn = new Set(Object.values(spec.datasets).flat().map((row) => `panel_${row.panel}`));
  if (spec.vconcat) {
    for (const [name, rows] of Object.entries(spec.datasets)) if (rows.length) drawn.add(`if_${name}`);
    spec.vconcat = spec.vconcat.filter(({ name }) => !/^(panel_\d+|if_\w+)$/.test(name) || drawn.has(name));
  }
}

/* Gives every view of a column of views one width. */
function widened(spec, width) {
  for (const part of spec.vconcat ?? [spec]) part.width = width;
}

/* A parameter `height_N` of a figure gives its Nth view the height that follows from others. */
function heights(compiled) {
  const signals = compiled.signals ?? []; /* none in a chart without parameters */
  const known = new Set(signals.map(({ name }) => name));
  for (const signal of signals) {
    const [, place] = /^concat_(\d+)_height$/.exec(signal.name) ?? [];
    if (!known.has(`height_${place}`)) continue;
    delete signal.value;
    signal.update = `height_${place}`;
  }
  return compiled;
}

/* Where the rows of a table stand that a chart is laid beside: by what is on the screen, in units of
   --row, so that chart and table keep step whatever a row says; null for rows that are hidden. */
function rowPlaces(place) {
  const box = place.closest(".rows");
  const unit = parseFloat(getComputedStyle(place).getPropertyValue("--row"));
  const { top, height } = box.getBoundingClientRect();
  const at = [...box.querySelectorAll("tbody tr")].map((row) => {
    if (row.hidden) return null;
    const cell = row.querySelector(".now").getBoundingClientRect();
    return Number(((cell.top + cell.height / 2 - top) / unit - 0.5).toFixed(3));
  });
  return { at, height, rows: height / unit, mark: `${at.join()} ${height} ${unit}` };
}

/* Puts the rows of such a chart where the table has them. */
function laidBeside(place, spec) {
  const { at, height, rows } = rowPlaces(place);
  for (const [name, given] of Object.entries(spec.datasets)) {
    spec.datasets[name] = given.filter((row) => !("row" in row) || at[row.row] !== null)
      .map((row) => ("row" in row ? { ...row, row: at[row.row] } : row));
  }
  spec.params.find((param) => param.name === "rows").value = rows;
  spec.height = height;
}

/* Draws it anew where rows have moved. */
function relay(place) {
  const drawn = drawings.get(place);
  if (!drawn?.view || rowPlaces(place).mark === drawn.mark) return;
  drawn.view.finalize();
  drawings.delete(place);
  place.replaceChildren();
  draw(place);
}

/* Fits a figure to its page: what stands beside the axes is measured, the rest is for the data. */
async function fit(place) {
  const { view, narrows } = drawings.get(place);
  if (narrows) await view.signal("narrow", place.clientWidth < NARROW).runAsync();
  const svg = place.querySelector("svg");
  if (!svg || !place.clientWidth) return;
  const beside = Number(svg.getAttribute("width")) - view.width();
  const width = Math.max(80, Math.floor(place.clientWidth - beside));
  if (Math.abs(width - view.width()) >= 1) view.width(width);
  await view.runAsync();
}

async function draw(place) {
  if (drawings.has(place)) return;
  drawings.set(place, {});
  const given = JSON.parse(place.parentElement.querySelector("script[type='application/json']").textContent);
  // What stands in several places of it is one object there, and must not be here.
  const spec = JSON.parse(JSON.stringify(SPECS[place.dataset.figure]));
  const named = Object.fromEntries(
    Object.entries(given.data).map(([name, columns]) => [name, objects(columns)]));
  spec.datasets = { ...spec.datasets, ...named };
  if (Object.values(named).every((rows) => rows.length === 0)) { say(place, EMPTY); return; }
  for (const param of spec.params ?? []) {
    if (param.name in given.params) param.value = given.params[param.name];
  }
  withRows(spec);
  if ("rows" in place.dataset) laidBeside(place, spec);
  widened(spec, Math.max(80, place.clientWidth - (spec.autosize?.type === "none" ? 0 : 120)));
  try {
    const { view } = await vegaEmbed(place, spec, {
      mode: "vega-lite", config: CONFIG, renderer: "svg", ast: true, actions: false, tooltip: false,
      defaultStyle: false, logLevel: 1, patch: heights, bind: document.createElement("div"),
    });
    drawings.set(place, {
      view,
      mark: "rows" in place.dataset ? rowPlaces(place).mark : "",
      narrows: (spec.params ?? []).some(({ name }) => name === "narrow"),
    });
    await fit(place);
    /* Twice: labels that no longer overlap may need another room beside the axes. */
    await fit(place);
    /* Its dots are told in the line under it; marks without a name would be read out as such. */
    place.querySelector("svg")?.setAttribute("aria-hidden", "true");
    place.dataset.drawn = "yes";
    place.closest(".rows")?.classList.add("has-drawn");
    for (const told of onDrawn) told(place, view);
  } catch (error) {
    say(place, WAITS);
    throw error;
  }
}

const places = [...document.querySelectorAll("[data-figure]")];
const seen = new IntersectionObserver((entries) => {
  for (const entry of entries) if (entry.isIntersecting) { seen.unobserve(entry.target); draw(entry.target); }
}, { rootMargin: "300px" });
const resized = new ResizeObserver((entries) => {
  for (const { target } of entries) if (target.dataset.drawn) fit(target);
});
for (const place of places) { seen.observe(place); resized.observe(place); }
/* Tables beside which charts are laid say when rows were hidden; they change size by themselves. */
const moved = new ResizeObserver((entries) => {
  for (const { target } of entries) for (const place of target.querySelectorAll("[data-rows]")) relay(place);
});
for (const box of document.querySelectorAll(".rows")) {
  moved.observe(box);
  box.addEventListener("rows", () => { for (const place of box.querySelectorAll("[data-rows]")) relay(place); });
}
/* On paper a figure has another width: it is drawn for it, and back afterwards. */
function refit() {
  for (const place of places) {
    if (!drawings.has(place)) draw(place);
    else if ("rows" in place.dataset) relay(place);
    else if (place.dataset.drawn) fit(place);
  }
}
addEventListener("beforeprint", () => { document.documentElement.classList.add("printing"); refit(); });
addEventListener("afterprint", () => { document.documentElement.classList.remove("printing"); refit(); });
