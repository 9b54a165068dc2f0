// Pieces that every screen is made of.  Text goes into the page as text alone.
function h(tag, props, ...kids) {
  const node = document.createElement(tag);
  Object.entries(props || {}).forEach(([name, value]) => {
    if (value === false || value === null || value === undefined) return;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "value") node.value = value;
    else node.setAttribute(name, value === true ? "" : String(value));
  });
  node.append(...kids.flat().filter((kid) => kid !== null && kid !== undefined && kid !== false && kid !== ""));
  return node;
}

function card(tone, title, ...text) {
  const lines = text.flat().filter(Boolean);
  return h("section", { class: `card ${tone}` }, title ? h("h2", {}, title) : null,
    ...lines.map((line) => (typeof line === "string" ? h("p", {}, line) : line)));
}

function button(label, act, { kind = "plain", key, disabled = false, describe } = {}) {
  return h("button", { type: "button", class: kind, "data-key": key || label, disabled, "aria-label": describe, onclick: act }, label);
}

function caution() {
  return h("p", { class: "caution" }, h("strong", {}, "Pressurised. "),
    "Pump no higher than the mark. Let the pressure out before anything is opened: close the main valve, ",
    "bleed both petcocks, then the clamps. Eyes covered.");
}

// Three boxes as on paper: what was read, the one that waits, one if unsure.
function readingBoxes(app, sitting, draft) {
  const count = sitting.readings.length, boxes = Math.max(3, count + (sitting.settled ? 0 : 1));
  return h("ol", { class: "boxes", "aria-label": "Readings" }, Array.from({ length: boxes }, (_, at) => {
    const reading = sitting.readings[at], waits = at === count && draft !== null;
    const name = ORDINALS[at] || String(at + 1), unsure = at >= 2 && at >= count ? ", if unsure" : "";
    if (!reading) {
      return h("li", { class: waits ? "box waits" : `box empty${at >= 2 ? " optional" : ""}` },
        h("span", { class: "which" }, name + unsure),
        h("output", { class: "value", "aria-live": "polite" }, (waits && asTyped(draft)) || "–"));
    }
    const zero = reading.correct === 0, out = !isWithin(sitting.biases[at], app.facts.rules);
    const shown = zero ? signed(Number(reading.text), Math.max(placesOf(reading.text), 2)) : asTyped(reading.text);
    return h("li", { class: "box" }, h("button", {
      type: "button", class: `read${out ? " out" : ""}`, "data-key": `box${at}`,
      "aria-label": `${name} reading ${shown}, ${out ? "outside" : "within"} tolerance: change it`,
      onclick: () => app.show({ strike: reading.of }),
    }, h("span", { class: "which" }, name), h("span", { class: "value" }, shown)));
  }));
}

// Large keys for one finger; the keys of a keyboard do the same.
function keypad(app, { sign }) {
  const press = (key) => () => app.key(key);
  const keys = ["1", "2", "3", "4", "5", "⌫", "6", "7", "8", "9", "0", "."];
  const words = { "⌫": "delete the last figure", ".": "decimal point", "±": "above or below zero" };
  const made = keys.map((key) => button(key, press(key), { kind: "key", key: `key${key}`, describe: words[key] }));
  if (sign) {
    made.push(button("±", press("±"), { kind: "key wide", key: "key±", describe: words["±"] }),
      button("0.00", press("zero"), { kind: "key wide", key: "key0.00" }));
  }
  return h("div", { class: "keypad", role: "group", "aria-label": "Keys" }, made);
}

// A question with a free answer: a line to type into and one button.
function askLine(app, { label, go, key, type = "text", value = "" }) {
  const input = h("input", { type, id: `ask-${key}`, "data-key": `ask-${key}`, autocomplete: "off", maxlength: 200, value });
  return h("form", { class: "ask", onsubmit: (event) => { event.preventDefault(); const said = input.value.trim(); if (said) app.answer(key, said); } },
    h("label", { for: `ask-${key}` }, label), input, h("button", { type: "submit", class: "plain", "data-key": `go-${key}` }, go));
}

// Where the visit stands, as a row of steps that can be gone back to.
function stepBar(app, state, here) {
  const reads = state.points.map((point) => ({
    step: "read", pct: point.pct, name: pointName(point.pct), done: point.found.settled || Boolean(point.skipped) }));
  const finished = !["unfinished"].includes(state.outcome);
  const steps = [...reads,
    { step: "adjust", name: "adjust", done: state.adjusted > 0 || state.outcome === "passes_as_found" || state.left },
    { step: "left", name: "as left", done: finished },
    { step: "done", name: "done", done: finished && state.isSigned }];
  return h("nav", { "aria-label": "Steps of the visit" }, h("ol", { class: "bar" }, steps.map((each) => {
    const current = each.step === here.step && (each.step !== "read" || each.pct === here.pct);
    const open = each.step !== "left" || state.adjusted > 0;
    return h("li", {}, h("button", {
      type: "button", class: `${each.done ? "past" : ""} ${current ? "now" : ""}`.trim(), disabled: !open,
      "aria-current": current ? "step" : null, "data-key": `bar-${each.name}`,
      onclick: () => app.show({ step: each.step, pct: each.step === "left" ? state.points[0].pct : each.pct }),
    }, each.name));
  })));
}

// The head of a meter's screens: who, which, where, by whom.
function meterHead(app, state) {
  const { meter, visit } = state, vessel = state.points.find((point) => point.vessel);
  const about = [meter.site, vessel ? `vessel ${vessel.vessel}` : ""].filter(Boolean).join(" · ");
  return h("header", { class: "head" },
    h("button", { type: "button", class: "back", "data-key": "back", "aria-label": "All meters", onclick: () => app.show({ meter: null }) }, "‹"),
    h("p", { class: "who-what" }, h("strong", {}, visit.meter), " ", h("span", {}, about)),
    h("span", { class: "hand-name" }, app.who));
}

// The foot of a screen: the caution, then keys and the one thing to do next, which stay in reach of
// a thumb, then what else there is.
function foot(primary, ...others) {
  return footWith(caution(), [primary], ...others);
}

// What of the caution is always in sight where the screen is small.
function briefly() {
  return h("p", { class: "brief", "aria-hidden": "true" }, "Let the pressure out before anything is opened.");
}

function footWith(told, docked, ...others) {
  return h("footer", { class: "foot" }, told, h("div", { class: "dock" }, told.classList.contains("quiet-bar") ? null : briefly(), docked), ...others.filter(Boolean));
}
