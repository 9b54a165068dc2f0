// The screens after reading: what to adjust, and the end of a visit.

function screenAdjust(app, state) {
  const { facts } = app, advice = adviceOf(state, facts);
  if (!mayAdjust(state, facts)) {
    return [h("h1", { tabindex: -1 }, "Not yet: read every point as found."),
      card("look", "Why it waits", `Still to read: ${listedWords(openPoints(state))}. A mark moved before hides what ${state.visit.meter} has been doing there.`),
      foot(button(`On to ${pointName(state.next.pct)}`, () => app.show(state.next), { kind: "primary", key: "on" }))];
  }
  const sound = state.points.every((point) => point[state.adjusted ? "left" : "found"].tolerance === "within");
  const lost = lostPoints(state).concat(state.adjusted ? [] : state.points.filter((point) => !point.found.settled));
  return [
    h("h1", { tabindex: -1 }, sound ? "Nothing to adjust." : adviceHeadline(advice, state)),
    sound ? h("p", {}, "Every point is within tolerance. A meter within tolerance needs no reset by the standard.") : null,
    ...(sound ? [] : adviceBody(app, state, advice)),
    lost.length ? card("look", "Evidence that is lost", `Not read as found at ${listedWords(lost.map((point) => pointName(point.pct)))}: what it had been doing there will not be known.`) : null,
    app.view.asking === "moved" ? askLine(app, { key: "moved", label: `Mark now, ${facts.units[state.unit]}`, go: "Moved" }) : null,
    app.view.asking === "leave" ? askLine(app, { key: "leave", label: "Why it is not put right", go: "Leave it out" }) : null,
    adjustFoot(app, state, advice, sound),
  ];
}

// What was done, the advised first: under the thumb, like the one thing to do next elsewhere.
function adjustFoot(app, state, advice, sound) {
  const { move, moves, named } = advice, to = moves ? markText(move.to, state).replace(MINUS, "-") : "";
  const work = (action) => () => app.act({ do: "work", action, remarks: "" });
  const works = [["Hand reset", "hand_reset"], ["Gauge replaced", "gauge_replaced"], ["Seal replaced", "seal_replaced"], ["Chamber dried", "chamber_dried"]];
  const advised = { hand: "Hand reset", leak: "Seal replaced", volume: "Chamber dried", mark_and_volume: "Chamber dried" }[named] || "";
  const primary = sound ? button("On to the end", () => app.show({ step: "done" }), { kind: "primary", key: "on" })
    : moves ? button(`Mark moved to ${asTyped(to)}`, () => app.moveMark(to), { kind: "primary", key: "moved" })
      : advised ? button(advised, work(works.find(([name]) => name === advised)[1]), { kind: "primary" }) : null;
  const rest = works.filter(([name]) => name !== advised).map(([name, action]) => button(name, work(action)));
  return footWith(caution(), [primary],
    h("h2", {}, primary && !sound ? "Or something else was done" : "Something was done"),
    h("div", { class: "grid" },
      button("Mark moved elsewhere", () => app.show({ asking: "moved" }), { key: "moved-else" }), rest),
    sound ? null : button("Leave it as it is, out", () => app.show({ asking: "leave" }), { kind: "link", key: "leave" }));
}

function adviceBody(app, state, advice) {
  const { facts } = app, made = [], zero = state.points.find((point) => point.pct === 0);
  const names = Object.entries(advice.weights).filter(([, value]) => value >= 0.05).sort((a, b) => b[1] - a[1]).slice(0, 3);
  const marked = advice.moves;
  if (marked && zero && state.unit === "dial_pct") {
    made.push(drawDial(meanOf(advice.points.find((point) => point.air === 0).biases), state.mark, advice.move.to));
  }
  if (marked) made.push(...moveSentences(advice, state).map((line) => h("p", {}, line)));
  if (state.mark === null) made.push(card("look", "Where the mark stands is not known", "Note it on the first screen, and the move is worked out."));
  if (advice.named) made.push(card("calm", `It looks like: ${facts.faults[advice.named][0]}`, facts.faults[advice.named][1]));
  made.push(h("p", { class: "quiet" }, names.length
    ? `By the pattern over the points, before anything is unscrewed: ${names.map(([name, value]) => `${facts.faults[name][0]} ${inChance(value)}`).join("; ")}. A hint, never a diagnosis.`
    : ""));
  if (!["leak", "volume", "nothing"].includes(advice.named)) made.push(effects(state, advice, marked));
  return made;
}

// What an adjustment will do at the other points.
function effects(state, advice, marked) {
  const hand = ["hand", "mark_and_hand"].includes(advice.named) || !marked;
  const head = ["% air", "off by", ...(marked ? ["mark moved"] : []), ...(hand && advice.hand ? ["hand reset"] : [])];
  const rows = advice.points.map((point, at) => {
    const off = meanOf(point.biases), cells = [pointName(point.pct), signed(off)];
    if (marked) cells.push(signed(off + advice.move.changes[at]));
    if (hand && advice.hand) cells.push(signed(off + advice.hand[at]));
    return cells;
  });
  return h("table", {}, h("caption", {}, "What each adjustment would leave"),
    h("thead", {}, h("tr", {}, head.map((text) => h("th", { scope: "col" }, text)))),
    h("tbody", {}, rows.map(([name, ...cells]) => h("tr", {}, h("th", { scope: "row" }, name), cells.map((cell) => h("td", {}, cell))))));
}

function screenDone(app, state) {
  const { facts } = app, words = outcomeWords(state), { visit, meter } = state;
  const out = foundOut(state), lost = lostPoints(state), struck = visit.events.filter((event) => event.do === "strike").length;
  const passes = state.outcome.startsWith("passes");
  const signable = state.outcome !== "unfinished" && !state.isSigned;
  return [
    h("h1", { tabindex: -1 }, words.text),
    state.outcome === "elsewhere" ? null : doneTable(app, state),
    passes ? card("calm", state.adjusted ? "The last two agree at every point" : "The last two are within tolerance at every point",
      `Next calibration by ${dayOf(laterDay(visit.started, meter.interval))}.${struck ? ` ${struck} struck, each with its reason.` : ""}`) : null,
    state.outcome === "unfinished" ? card("look", "Kept as unfinished", `Done means every required point, two successive readings, and as left after an adjustment. Still open: ${listedWords(openPoints(state)) || "a point out of tolerance that is neither put right nor left out"}.`) : null,
    state.outcome === "left_out" ? card("stop", "Do not use it", "Mark it and put it where nobody takes it. It is out of tolerance and was not put right.") : null,
    out.length && passes ? card("stop", "Found outside: tell the quality manager", `Results since its last good check are to be reviewed${meter.last ? ` (last seen ${dayOf(meter.last)})` : ""}.`) : null,
    lost.length ? card("look", "Evidence that is lost", `Not read as found at ${listedWords(lost.map((point) => pointName(point.pct)))}.`) : null,
    app.view.saved ? h("p", { class: "saved", role: "status" }, app.view.saved) : null,
    app.view.text ? h("label", { class: "copy" }, "If no file came, copy this text", h("textarea", { readonly: true, rows: 4, value: app.view.text })) : null,
    footWith(
      h("p", { class: "caution quiet-bar" }, "This page releases nothing. A person does, by name; the current standard, local codes and licensed practice prevail."),
      [signable ? button("Sign and file", () => app.sign(), { kind: "primary", key: "sign" })
        : button(state.outcome === "unfinished" ? "Save it unfinished" : "Save the file again", () => app.save("json"), { kind: "primary", key: "sign" })],
      button("All meters", () => app.show({ meter: null }), { kind: "link", key: "all" }),
      button("Something is wrong: change a reading", () => app.show({ step: "read", pct: state.points[0].pct }), { kind: "link", key: "wrong" })),
  ];
}

function doneTable(app, state) {
  const { rules } = app.facts, adjusted = state.adjusted > 0;
  const mean = (sitting, point) => (sitting.mean === null ? "–"
    : point.pct === 0 ? signed(sitting.mean) : fixed(point.correct + sitting.mean));
  const cell = (sitting, point, strong) => h("td", {
    class: `${sitting.mean !== null && !isWithin(sitting.mean, rules) ? "out" : ""} ${strong ? "strong" : ""}`.trim(),
  }, mean(sitting, point));
  const rows = state.points.map((point) => {
    const last = adjusted ? point.left : point.found, correct = point.pct === 0 || point.correct === null ? "" : ` (${fixed(point.correct)})`;
    return h("tr", {}, h("th", { scope: "row" }, pointName(point.pct), h("span", { class: "quiet" }, correct)),
      cell(point.found, point, !adjusted), adjusted ? cell(point.left, point, true) : null,
      h("td", {}, last.mean === null ? "–" : signed(last.mean)));
  });
  const moved = state.marks.length > 1 && state.mark !== state.markBefore;
  const was = state.adjusted && state.marks.length && state.marks[0].action === "moved" ? state.meter.mark : state.markBefore;
  if (state.mark !== null && adjusted && (moved || was !== state.mark)) {
    rows.push(h("tr", {}, h("th", { scope: "row" }, "mark"), h("td", {}, was === null ? "–" : markText(was, state)),
      h("td", { class: "strong" }, markText(state.mark, state)),
      h("td", {}, was === null ? "moved" : `moved ${markText(Math.abs(state.mark - was), state)}`)));
  }
  const head = ["mean, % air", "as found", ...(adjusted ? ["as left"] : []), "off by"];
  return h("table", { class: "result" }, h("thead", {}, h("tr", {}, head.map((text) => h("th", { scope: "col" }, text)))), h("tbody", {}, rows));
}
