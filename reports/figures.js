/* Draws each figure over the rows that its page carries: when it comes into view, and all before
   printing.  SPECS and CONFIG stand before this in the same closure. */
"use strict";
const WAITS = "This figure could not be drawn.";
const NARROW = 560; /* below this width labels stand within a figure */
const EMPTY = "No rows on record for this figure.";
const drawings = new Map(); /* element -> what is drawn in it */
const onDrawn = []; /* called with each element and view once it is drawn */

/* Rows as objects, from one array a column. */
function objects(columns) {
  const names = Object.keys(columns);
  const many = names.length ? columns[names[0]].length : 0;
  return Array.from({ length: many }, (_, at) =>
    Object.fromEntries(names.map((name) => [name, columns[name][at]])));
}

function say(place, words) {
  const sentence = document.createElement("p");
  sentence.className = "note";
  sentence.textContent = words;
  place.replaceChildren(sentence);
}

/* Gives every view of a column of views one width. */
function widened(spec, width) {
  for (const part of spec.vconcat ?? [spec]) part.width = width;
}

/* A parameter `height_N` of a figure gives its Nth view the height that follows from others. */
function heights(compiled) {
  const known = new Set(compiled.signals.map(({ name }) => name));
  for (const signal of compiled.signals) {
    const [, place] = /^concat_(\d+)_height$/.exec(signal.name) ?? [];
    if (!known.has(`height_${place}`)) continue;
    delete signal.value;
    signal.update = `height_${place}`;
  }
  return compiled;
}

/* Fits a figure to its page: what stands beside the axes is measured, the rest is for the data. */
async function fit(place) {
  const { view, narrows } = drawings.get(place);
  if (narrows) await view.signal("narrow", place.clientWidth < NARROW).runAsync();
  const svg = place.querySelector("svg");
  if (!svg || !place.clientWidth) return;
  const beside = Number(svg.getAttribute("width")) - view.width();
  const width = Math.max(80, Math.floor(place.clientWidth - beside));
  if (Math.abs(width - view.width()) >= 1) await view.width(width).runAsync();
}

async function draw(place) {
  if (drawings.has(place)) return;
  drawings.set(place, {});
  const given = JSON.parse(place.parentElement.querySelector("script[type='application/json']").textContent);
  const spec = structuredClone(SPECS[place.dataset.figure]);
  spec.datasets = Object.fromEntries(
    Object.entries(given.data).map(([name, columns]) => [name, objects(columns)]));
  if (Object.values(spec.datasets).every((rows) => rows.length === 0)) { say(place, EMPTY); return; }
  for (const param of spec.params ?? []) {
    if (param.name in given.params) param.value = given.params[param.name];
  }
  widened(spec, Math.max(80, place.clientWidth - 120));
  try {
    const { view } = await vegaEmbed(place, spec, {
      mode: "vega-lite", config: CONFIG, renderer: "svg", ast: true, actions: false, tooltip: false,
      defaultStyle: false, logLevel: 1, patch: heights, bind: document.createElement("div"),
    });
    drawings.set(place, { view, narrows: (spec.params ?? []).some(({ name }) => name === "narrow") });
    await fit(place);
    /* Twice: labels that no longer overlap may need another room beside the axes. */
    await fit(place);
    place.dataset.drawn = "yes";
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
addEventListener("beforeprint", () => { for (const place of places) draw(place); });
