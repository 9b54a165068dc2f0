// The screens of reading: begin, a point as found or as left, strike a reading, choose a vessel.

const DIAL_STEPS = ["0.1", "0.05", "0.02", "0.01"];

function screenStart(app, state) {
  const { meter, visit } = state, { facts } = app;
  const due = meter.due ? `Due ${dayOf(meter.due)}${meter.late ? `, overdue by ${meter.late} days: not to be used until it is calibrated` : ""}.` : "";
  const kinds = {
    new: "Never read before: this is its first visit. Establish its mark, and read every point.",
    withdrawn: "Withdrawn. Its readings are taken as usual; only a person, by name, returns it to use.",
  };
  const known = meter.mark !== null, told = state.marks[state.marks.length - 1];
  const place = told ? `Mark noted at ${asTyped(told.text)} ${facts.units[told.unit]}.`
    : known ? `On record the mark stands at ${markText(meter.mark, state)} ${facts.units[meter.unit]}.`
      : "Nothing on record says where its mark stands.";
  const note = (text) => () => app.act({ do: "mark", text, unit: meter.unit, action: meter.kind === "new" ? "established" : "verified" });
  return [
    h("h1", { tabindex: -1 }, `Is ${visit.meter} on its plate?`),
    h("p", {}, [due, meter.last ? `Last seen ${dayOf(meter.last)}.` : "", kinds[meter.kind] || ""].filter(Boolean).join(" ")),
    meter.occasion ? card("look", meter.occasion, ...meter.first) : null,
    card("stop", "Before the pump is touched", ...facts.cautions.slice(0, 1),
      "The current edition of the governing standard, local codes and licensed practice prevail over this page."),
    card("calm", "Where does the initial pressure mark stand?", place,
      h("div", { class: "row" },
        known ? button(`At ${markText(meter.mark, state)}`, note(String(meter.mark)), { key: "mark-known" }) : null,
        button(known ? "Elsewhere" : "Note it", () => app.show({ asking: "mark" }), { key: "mark-other" })),
      app.view.asking === "mark" ? askLine(app, { key: "mark", label: `Mark, ${facts.units[meter.unit]}`, go: "Note it" }) : null),
    meter.kind === "new" ? card("calm", `To what step is its dial read? Now ${state.points[0].step}${THIN}%.`,
      h("div", { class: "row" }, DIAL_STEPS.map((step) => button(`${step}${THIN}%`, () => app.act({ do: "step", text: step }), { key: `step-${step}` })))) : null,
    h("div", { class: "row" }, askLine(app, { key: "water", label: `Water, °C${app.water ? `: ${app.water}` : ""}`, go: "Note it" })),
    foot(button(`Begin: this is ${visit.meter}`, () => app.begin(), { kind: "primary", key: "begin" }),
      app.view.asking === "other" ? askLine(app, { key: "other", label: "Its name, as on the plate", go: "Take that one" })
        : button("Another meter stands here", () => app.show({ asking: "other" }), { kind: "link", key: "other" })),
  ];
}

function screenRead(app, state, pct, stage) {
  const { facts } = app, point = state.points.find((each) => each.pct === pct), sitting = point[stage];
  const verdict = sittingVerdict(point, stage, state, facts), next = state.next;
  const asked = !sitting.settled || app.view.more;
  const goes = next.step === "read" || next.step === "left" ? `On to ${pointName(next.pct)}` : next.step === "adjust" ? "On to the adjustment" : "On to the end";
  const ready = point.correct !== null;
  const primary = asked && ready
    ? button(`Enter ${ORDINALS[sitting.readings.length] || "next"} reading`, () => app.enter(), { kind: "primary", key: "enter", disabled: !app.draft })
    : button(goes, () => app.show({ step: next.step, pct: next.pct, more: false }), { kind: "primary", key: "on" });
  return [
    h("h1", { tabindex: -1 }, sittingHeadline(point, stage)),
    ready ? readingBoxes(app, sitting, asked ? app.draft : null) : null,
    app.view.wrong ? h("p", { class: "wrong", role: "alert" }, app.view.wrong) : null,
    ...(sitting.readings.length ? afterReading(app, state, point, stage, verdict) : beforeReading(app, state, point, stage)),
    ready ? null : vesselChoice(app, state, point),
    footWith(caution(), [ready && asked ? keypad(app, { sign: pct === 0 || point.correct < 0.5 }) : null, ready || sitting.settled ? primary : null],
      sitting.settled && !asked ? button("Read it once more", () => app.show({ more: true }), { kind: "link", key: "more" }) : null,
      h("div", { class: "row links" },
        pct > 0 && ready ? button("Another vessel", () => app.show({ asking: "vessel" }), { kind: "link", key: "vessel" }) : null,
        stage === "found" && !sitting.settled ? button("This point cannot be read", () => app.show({ asking: "skip" }), { kind: "link", key: "skip" }) : null,
        !facts.holds && stage === "found" && pct === 0 && sitting.code === "act" && !state.adjusted
          ? button("Move the mark now", () => app.show({ step: "adjust", more: false }), { kind: "link", key: "now" }) : null),
      app.view.asking === "skip" ? askLine(app, { key: "skip", label: "Why not", go: "Leave it out" }) : null,
      app.view.asking === "vessel" ? vesselChoice(app, state, point) : null),
  ];
}

// Blind: neither what is correct nor what is expected shows before the first reading is in.
function beforeReading(app, state, point, stage) {
  const first = point.pct === 0
    ? "Bowl full of water, no air. Pump a little past the mark, let it cool, tap the gauge and let the hand settle on the mark; close the petcocks, open the main valve, tap, read."
    : `${drawnOff(point, { facts: app.facts, meter: state.meter })} Pump to the mark, let it cool, release, tap, read.`;
  return [h("p", {}, first),
    h("p", { class: "quiet" }, stage === "left" ? "As left: until two in a row agree within tolerance."
      : "What it should show stays hidden until your reading is in.")];
}

function afterReading(app, state, point, stage, verdict) {
  const { facts } = app, sitting = point[stage], made = [];
  const zeroOut = point.pct === 0 && sitting.code === "act";
  const advice = zeroOut ? adviceOf(state, facts) : null;
  if (advice && advice.move && advice.move.to !== state.mark) {
    const held = !mayAdjust(state, facts);
    made.push(h("p", { class: "quiet" }, held ? "Move of the mark, worked out and held" : "Advised move of the mark, worked out"));
    if (state.unit === "dial_pct") made.push(drawDial(sitting.mean, state.mark, advice.move.to));
    else made.push(h("p", { class: "big" }, `${markText(state.mark, state)} → ${markText(advice.move.to, state)} ${facts.units[state.unit]}`));
    const rest = state.points.filter((each) => each.pct > 0 && !each.found.settled && !each.skipped).map((each) => pointName(each.pct));
    if (held) {
      made.push(card("look", "Do not move it yet",
        `Read ${listedWords(rest)} as found first. A mark moved now hides what ${state.visit.meter} has been doing there.`));
    } else if (rest.length && !state.adjusted) {
      made.push(card("look", "Moved now, evidence is lost", `What ${state.visit.meter} has been doing at ${listedWords(rest)} would never be known.`));
    }
    made.push(h("p", {}, moveSentences(advice, state).join(" ")));
    return made;
  }
  made.push(drawStrip(point, sitting, facts));
  if (verdict) made.push(card(verdict.tone, verdict.title, verdict.text));
  const correct = `Correct ${fixed(point.correct)}${point.from ? ` (${point.from})` : ""}.`;
  const band = stage === "found" && point.band
    ? ` Blue: ${state.visit.meter} if sound, ${point.band.one.map((end) => fixed(end)).join(" to ")}.` : "";
  made.push(h("p", { class: "quiet" }, correct + band));
  return made;
}

// What is left out is struck, with a reason, and stays in the record.
function screenStrike(app, state) {
  const reading = readingsOf(state.visit).find((each) => each.of === app.view.strike);
  if (!reading) return [h("h1", { tabindex: -1 }, "Nothing to strike.")];
  const why = (text) => () => app.strike(text);
  return [
    h("h1", { tabindex: -1 }, `Strike ${asTyped(reading.text)}?`),
    h("p", {}, `Keyed in ${reading.at.slice(11, 16)} by ${reading.who}. A first reading takes precedence over a repeat unless it was clearly done wrongly. A struck one stays in the file with its reason.`),
    h("div", { class: "stack" }, button("Keyed in wrongly", why("keyed in wrongly")), button("The mark was not met", why("pumped off the mark")),
      button("It leaked or was opened too soon", why("leaked or opened too soon"))),
    askLine(app, { key: "strike", label: "Another reason", go: "Strike it" }),
    foot(button("Keep it", () => app.show({ strike: null }), { kind: "primary", key: "keep" })),
  ];
}

function vesselChoice(app, state, point) {
  const { facts } = app, { meter } = state;
  const options = facts.vessels.map((vessel) => ({ name: vessel.vessel_id, ...vesselValue(vessel.vessel_id, point.pct, { facts, meter }) }));
  return card("calm", "Which vessel is it?",
    h("div", { class: "stack" }, options.map((each) => button(
      `${each.name}, calibrated ${dayOf(each.on)}${each.own ? ", for this bowl" : ""}`,
      () => app.vessel(each.name, each.correct, `calibrated ${each.on}${each.own ? ", for this bowl" : ""}`), { key: `vessel-${each.name}` }))),
    askLine(app, { key: "vessel", label: "Not listed: its name and correct % air, such as CV-9 4.98", go: "Take it" }));
}
