// The first screen: who is at the bench, the meters of the round, and the file.

function screenHome(app) {
  const { facts } = app, due = facts.meters.filter((meter) => meter.kind === "due");
  const states = app.states(), finished = due.filter((meter) => states.some((state) => (
    state.visit.meter === meter.id && state.outcome !== "unfinished" && state.isSigned)));
  const head = due.length ? `${due.length} ${due.length === 1 ? "meter" : "meters"} due by ${dayOf(facts.dueBy)}` : `No meter is due by ${dayOf(facts.dueBy)}`;
  return [
    h("header", { class: "head" }, h("p", { class: "who-what" }, h("strong", {}, facts.laboratory || facts.source), " ", h("span", {}, "bench")),
      h("span", { class: "hand-name" }, app.who)),
    h("h1", { tabindex: -1 }, finished.length ? `${finished.length} of ${due.length} done.` : `${head}.`),
    app.kept ? null : h("p", { class: "wrong", role: "alert" }, "This browser keeps nothing for this page. Save the file before you close it, or what you key in is lost."),
    app.view.saved ? h("p", { class: "saved", role: "status" }, app.view.saved) : null,
    app.view.wrong ? h("p", { class: "wrong", role: "alert" }, app.view.wrong) : null,
    app.view.text ? h("label", { class: "copy" }, "If no file came, copy this text", h("textarea", { readonly: true, rows: 4, value: app.view.text })) : null,
    whoPart(app),
    meterList(app, "The round", due, states),
    othersPart(app, states),
    filePart(app, states),
    h("section", {}, h("h2", {}, "Cautions"), h("ul", { class: "cautions" }, facts.cautions.map((text) => h("li", {}, text)))),
    h("p", { class: "quiet" }, `drift ${facts.version} · ${facts.source} · as known on ${dayOf(facts.asOf)}`),
  ];
}

function whoPart(app) {
  if (app.who && app.view.asking !== "who") {
    return h("p", { class: "row" }, `At the bench: ${app.who}. `, button("Somebody else", () => app.show({ asking: "who" }), { kind: "link", key: "who" }));
  }
  return h("section", { class: "card calm" }, h("h2", {}, "Who is at the bench?"),
    h("div", { class: "grid" }, app.facts.names.map((name) => button(name, () => app.answer("who", name), { key: `who-${name}` }))),
    askLine(app, { key: "who", label: "Another name", go: "That is me" }));
}

function meterList(app, title, meters, states) {
  if (!meters.length) return null;
  return h("section", {}, h("h2", {}, title), h("ul", { class: "meters" }, meters.map((meter) => {
    const mine = states.filter((state) => state.visit.meter === meter.id), last = mine[mine.length - 1];
    const due = meter.late ? `overdue by ${meter.late} days` : meter.due ? `due ${dayOf(meter.due)}` : "";
    return h("li", {}, h("button", {
      type: "button", class: "meter", "data-key": `meter-${meter.id}`, disabled: !app.who, onclick: () => app.open(meter.id),
    }, h("strong", {}, meter.id), h("span", { class: "where" }, [meter.site, meter.kind === "withdrawn" ? "withdrawn" : due].filter(Boolean).join(" · ")),
    h("span", { class: `state ${last && last.outcome === "left_out" ? "out" : ""}` }, last ? statusOf(last) : "")));
  })));
}

function othersPart(app, states) {
  const others = app.facts.meters.filter((meter) => meter.kind !== "due");
  const strangers = [...new Set(states.map((state) => state.visit.meter))]
    .filter((id) => !app.facts.meters.some((meter) => meter.id === id)).map((id) => meterOf(id, app.facts));
  const begun = (meter) => states.some((state) => state.visit.meter === meter.id);
  return h("section", {}, meterList(app, "Also seen", [...strangers, ...others.filter(begun)], states),
    h("details", { open: app.view.asking === "new" }, h("summary", {}, "Another meter: not due, withdrawn, or new"),
      askLine(app, { key: "new", label: "Its name, as on the plate", go: "Open it" }),
      meterList(app, "In use or withdrawn", others.filter((meter) => !begun(meter)), states)));
}

function filePart(app, states) {
  const any = states.length > 0;
  return h("section", {}, h("h2", {}, "The file"),
    h("p", {}, app.kept ? "Everything is kept in this browser as you key it in. Save it as a file when you are done: a cleaned browser forgets."
      : "Nothing is kept in this browser."),
    h("div", { class: "grid" },
      button("Save visits", () => app.save("json"), { kind: "plain strong", disabled: !any, key: "save" }),
      button("Save as CSV", () => app.save("csv"), { disabled: !any, key: "save-csv" })),
    h("label", { class: "file" }, "Take up a saved file", h("input", { type: "file", accept: ".json,application/json", "data-key": "take", onchange: (event) => app.take(event.target.files[0]) })),
    any && app.view.asking !== "clear" ? button("Begin a new round", () => app.show({ asking: "clear" }), { kind: "link", key: "clear" }) : null,
    app.view.asking === "clear" ? card("stop", "Delete all visits kept in this browser?", "Do it only when the file is saved and loaded.",
      h("div", { class: "row" }, button("Forget them", () => app.forget(), { key: "forget" }), button("Keep them", () => app.show({ asking: null }), { key: "keep-all" }))) : null);
}
