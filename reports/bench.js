// The page of the bench: what is shown, what is kept, and what a press does.  The rules are in the
// modules before this one; this one alone touches storage, the clock and the page.
const facts = JSON.parse(document.getElementById("facts").textContent);
facts.cautions = [...document.querySelectorAll("#cautions li")].map((item) => item.textContent);
const root = document.getElementById("main");
const PLACE = `drift bench ${facts.key}`;

// This minute where the bench is, with its offset, as a journal wants it.
function nowText() {
  const now = new Date(), off = -now.getTimezoneOffset(), two = (value) => String(Math.floor(Math.abs(value))).padStart(2, "0");
  const local = new Date(now.getTime() + off * 60000).toISOString().slice(0, 19);
  return `${local}${off < 0 ? "-" : "+"}${two(off / 60)}:${two(Math.abs(off) % 60)}`;
}

const app = {
  facts, visits: [], who: "", water: "", draft: "", kept: true, unsaved: false,
  view: { meter: null, started: null, step: null },

  states() {
    return this.visits.map((visit) => stateOf(visit, meterOf(visit.meter, facts), facts));
  },
  visit() {
    return this.visits.find((each) => each.meter === this.view.meter && each.started === this.view.started);
  },
  state() {
    const visit = this.visit();
    return stateOf(visit, meterOf(visit.meter, facts), facts);
  },

  // What the browser keeps, after every press.
  keep() {
    try {
      localStorage.setItem(PLACE, JSON.stringify({ visits: this.visits, who: this.who, water: this.water, view: this.view }));
    } catch {
      this.kept = false;
    }
  },
  recall() {
    try {
      // Whether anything can be kept is tried beside what is: to write back what was read would undo
      // what the page writes in another window meanwhile.
      localStorage.setItem(`${PLACE} tried`, "");
      localStorage.removeItem(`${PLACE} tried`);
      const held = JSON.parse(localStorage.getItem(PLACE) || "{}");
      this.visits = merged(visitsIn(JSON.stringify(held)) || [], this.visits);
      this.who = typeof held.who === "string" ? held.who : this.who;
      this.water = typeof held.water === "string" ? held.water : this.water;
      return held.view || {};
    } catch {
      this.kept = false;
      return {};
    }
  },

  show(change, keepNote = false) {
    const before = this.view;
    this.view = { ...before, asking: null, wrong: "", ...(keepNote ? {} : { saved: "", text: "" }), ...change };
    const moved = ["meter", "step", "pct", "strike"].some((name) => before[name] !== this.view[name]);
    if (moved) {
      this.draft = "";
      if (!("more" in change)) this.view.more = false;
      if (!("strike" in change)) this.view.strike = null;
    }
    this.keep();
    draw(moved);
  },

  // Something happened: it is written down with the minute and the name, then what follows is shown.
  act(event, stay = false) {
    this.visit().events.push({ at: nowText(), who: this.who, ...event });
    this.unsaved = true;
    this.draft = "";
    if (stay || event.do === "vessel" || (this.view.step === "start" && event.do !== "begin")) this.show({});
    else this.follow();
  },
  follow() {
    const { step, pct } = this.state().next;
    this.show({ step, pct, strike: null, more: false });
  },

  open(id) {
    const mine = this.states().filter((state) => state.visit.meter === id && !state.isSigned);
    const visit = mine.length ? mine[mine.length - 1].visit : { meter: id, kind: meterOf(id, facts).kind, started: nowText(), events: [] };
    if (!mine.length) this.visits.push(visit);
    const begun = visit.events.some((event) => event.do === "begin");
    this.view = { ...this.view, meter: id, started: visit.started };
    if (begun) this.follow();
    else this.show({ step: "start", pct: null });
  },
  begin() {
    this.act({ do: "begin", water: this.water });
  },
  key(key) {
    const point = this.view.pct;
    let text = this.draft;
    if (key === "⌫") text = text.slice(0, -1);
    else if (key === "zero") text = "0.00";
    else if (key === "±") text = text.startsWith("-") ? text.slice(1) : `-${text}`;
    else if (key === "." ? !text.includes(".") : text.replace(/[-.]/g, "").length < 5) text += key;
    if (point > 0 && text.startsWith("-")) text = text.slice(1);
    this.draft = text;
    this.show({});
  },
  enter() {
    const state = this.state(), { step, pct } = this.view, point = state.points.find((each) => each.pct === pct);
    const trouble = readingTrouble(this.draft, facts.rules, point.step);
    if (trouble.stop) return this.show({ wrong: trouble.stop });
    if (trouble.look && this.view.looked !== this.draft) {
      return this.show({ wrong: `${trouble.look} Enter it again if it is meant.`, looked: this.draft });
    }
    this.view.more = false;
    this.act({ do: "read", pct, text: plainReading(this.draft), correct: point.correct, vessel: point.vessel, step: point.step, water: this.water, stage: step === "left" ? "as_left" : "as_found" }, true);
  },
  strike(why) {
    const { events } = this.visit(), of = this.view.strike;
    this.act({ do: "strike", of, why }, true);
    this.show({ strike: null, pct: events[of].pct });
  },
  vessel(name, correct, from) {
    this.act({ do: "vessel", pct: this.view.pct, vessel: name, correct, from });
  },
  moveMark(text) {
    this.act({ do: "mark", text, unit: this.state().unit, action: "moved" });
  },
  answer(key, said) {
    const number = said.replace(MINUS, "-").replace(",", "."), isNumber = number !== "" && Number.isFinite(Number(number));
    const wants = ["mark", "moved", "water"].includes(key);
    if (wants && !isNumber) return this.show({ wrong: `${said} is no number.`, asking: key });
    if (key === "who") { this.who = said; return this.show({}); }
    if (key === "water") { this.water = number; return this.show({}); }
    if (key === "mark") return this.act({ do: "mark", text: number, unit: this.state().unit, action: this.state().meter.kind === "new" ? "established" : "verified" });
    if (key === "moved") return this.moveMark(number);
    if (key === "skip") return this.act({ do: "skip", pct: this.view.pct, why: said });
    if (key === "leave") return this.act({ do: "leave", why: said });
    if (key === "strike") return this.strike(said);
    if (key === "new") return this.open(said);
    if (key === "other") { this.act({ do: "other", meter: said }, true); return this.open(said); }
    const [, name, value] = said.match(/^(.*\S)\s+([0-9]+[.,]?[0-9]*)$/) || [];
    if (!name) return this.show({ wrong: "Key in a name and the correct % air, such as CV-9 4.98.", asking: "vessel" });
    return this.vessel(name, Number(value.replace(",", ".")), "keyed in at the bench");
  },

  sign() {
    this.act({ do: "sign" }, true);
    this.save("json");
  },
  save(kind) {
    const states = this.states(), file = fileOf(states, facts, nowText());
    // By the second, so that a file saved later is read later and none takes another's name.
    const when = file.saved_at.slice(0, 19).replace("T", "-").replace(/:/g, "");
    const name = `visit-${when}${this.who ? `-${this.who.replace(/[^A-Za-z0-9_-]+/g, "_")}` : ""}`;
    if (kind === "json") hand(`${name}.json`, textOf(file), "application/json");
    else Object.entries(file.rows).filter(([, rows]) => rows.length).forEach(([table, rows]) => hand(`${name}-${table}.csv`, csvOf(table, rows), "text/csv"));
    this.unsaved = false;
    const open = states.filter((state) => state.outcome === "unfinished").length;
    this.show({ saved: `Saved as ${name}.${kind}${open ? `; ${open} unfinished` : ""}. Hand it to drift check and drift intake.`, text: kind === "json" ? textOf(file) : "" });
  },
  async take(file) {
    const theirs = file && visitsIn(await file.text());
    if (!theirs) return this.show({ wrong: "That file was not saved by this page." });
    this.visits = merged(this.visits, theirs);
    return this.show({ saved: `${theirs.length} ${theirs.length === 1 ? "visit" : "visits"} taken up.` });
  },
  forget() {
    this.visits = [];
    this.unsaved = false;
    this.show({ meter: null });
  },
};

// A reading as it was keyed in, without what a key too many leaves.
function plainReading(text) {
  const plain = text.replace(/\.$/, "").replace(/^(-?)0+(?=\d)/, "$1").replace(/^(-?)\./, "$10.");
  return Number(plain) === 0 ? plain.replace("-", "") : plain;
}

// Gives a file to the browser to save.
function hand(name, text, type) {
  const link = h("a", { href: URL.createObjectURL(new Blob([text], { type })), download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}

function screenOf(state) {
  const { step, pct, strike } = app.view;
  if (Number.isInteger(strike)) return screenStrike(app, state);
  const known = state.points.some((point) => point.pct === pct);
  if (step === "read" && known) return screenRead(app, state, pct, "found");
  if (step === "left" && known) return screenRead(app, state, pct, "left");
  if (step === "adjust") return screenAdjust(app, state);
  return step === "done" ? screenDone(app, state) : screenStart(app, state);
}

// Draws the screen anew and puts the focus where it was, or on the finding where the screen changed.
function draw(moved) {
  const held = document.activeElement && document.activeElement.dataset ? document.activeElement.dataset.key : null;
  const visit = app.view.meter === null ? null : app.visit();
  if (!visit) {
    app.view.meter = null;
    root.replaceChildren(h("div", { class: "screen home" }, screenHome(app).filter(Boolean)));
  } else {
    const state = app.state(), begun = visit.events.some((event) => event.do === "begin");
    const bar = begun ? stepBar(app, state, app.view) : null;
    const parts = screenOf(state).filter(Boolean), end = parts.findIndex((part) => part.className === "foot");
    root.replaceChildren(h("div", { class: "screen" }, [meterHead(app, state), bar,
      h("div", { class: "said" }, end < 0 ? parts : parts.slice(0, end)), end < 0 ? null : parts[end]]));
  }
  const wanted = held && [...root.querySelectorAll("[data-key]")].find((node) => node.dataset.key === held && !node.disabled);
  const asked = app.view.asking && root.querySelector(`#ask-${app.view.asking}`);
  if (asked) asked.focus();
  else if (moved || !wanted) root.querySelector("h1").focus({ preventScroll: !moved });
  else wanted.focus({ preventScroll: true });
  if (moved) window.scrollTo(0, 0);
}

document.addEventListener("keydown", (event) => {
  const typing = event.target instanceof HTMLInputElement || event.target instanceof HTMLTextAreaElement;
  if (typing || event.ctrlKey || event.metaKey || event.altKey || !root.querySelector(".keypad")) return;
  const key = { Backspace: "⌫", ",": ".", "-": "±", "\u2212": "±" }[event.key] || event.key;
  if (/^[0-9.]$/.test(key) || key === "⌫" || (key === "±" && root.querySelector("[data-key='key±']"))) {
    event.preventDefault();
    app.key(key);
  } else if (event.key === "Enter" && app.draft && !(event.target instanceof HTMLButtonElement)) {
    event.preventDefault();
    app.enter();
  }
});
window.addEventListener("storage", (event) => { if (event.key === PLACE) { app.recall(); draw(false); } });
window.addEventListener("beforeunload", (event) => { if (!app.kept && app.unsaved) event.preventDefault(); });

const view = app.recall();
if (app.visits.some((visit) => visit.meter === view.meter && visit.started === view.started)) {
  app.view = { meter: view.meter, started: view.started, step: view.step, pct: view.pct };
}
draw(true);
