// What is saved: the whole of every visit, and the rows that follow from it.  Pure functions.
const FILE_FORMAT = 1;
const COLUMNS = {
  readings: ["meter_id", "performed_on", "stage", "correct_air_pct", "reading_air_pct", "replicate",
    "resolution_pct", "vessel_id", "operator", "water_temp_c", "visit_id", "remarks"],
  marks: ["meter_id", "performed_on", "mark", "mark_unit", "action", "operator", "remarks"],
  service: ["meter_id", "performed_on", "action", "operator", "remarks"],
};

// The rows of one visit by table.  Readings between two adjustments are trials: they stay in the
// visit, and are no row, since the meter was not left so.
function rowsOf(state) {
  const { visit } = state, on = visit.started.slice(0, 10);
  const readings = state.points.flatMap((point) => ["found", "left"].flatMap((stage) => (
    stage === "left" && !state.adjusted ? [] : point[stage].readings).map((each) => ({
    ...nameOf(visit, each, point[stage].stage),
    correct_air_pct: String(each.correct), reading_air_pct: each.text,
    resolution_pct: String(each.step), vessel_id: each.vessel, operator: each.who,
    water_temp_c: each.water || "", remarks: "",
  }))));
  const moved = state.marks.filter((mark) => mark.action === "moved");
  const before = state.marks.find((mark) => mark.action !== "moved");
  const told = moved.length ? moved.slice(-1) : state.marks.slice(-1);
  const marks = told.map((mark) => ({
    meter_id: visit.meter, performed_on: on, mark: mark.text, mark_unit: mark.unit,
    action: mark.action, operator: mark.who,
    remarks: [before && moved.length ? `found at ${before.text}` : "",
      moved.length > 1 ? `${moved.length} moves, the last ${mark.at.slice(11, 16)}` : ""].filter(Boolean).join("; "),
  }));
  const service = state.works.map((work) => ({
    meter_id: visit.meter, performed_on: on, action: work.action, operator: work.who,
    remarks: [work.at.slice(11, 16), work.remarks].filter(Boolean).join(" "),
  }));
  return { readings, marks, service };
}

// What a reading goes by in the table, from the first time that it is filed.
function nameOf(visit, each, stage) {
  return { meter_id: visit.meter, performed_on: visit.started.slice(0, 10), stage,
    replicate: String(each.no), visit_id: visit.started.slice(0, 16).replace("T", " ") };
}

// Readings that are no row of the visit any more, with who took them back and why: a file that was
// loaded before may hold them.
function takenBack(state) {
  const { visit } = state, at = visit.events.map((event, of) => (isAdjustment(event) ? of : -1)).filter((of) => of >= 0);
  const [first, latest] = at.length ? [at[0], at[at.length - 1]] : [Infinity, Infinity];
  const other = visit.events.find((event) => event.do === "other");
  return everyReading(visit).flatMap((each) => {
    const again = each.of > first && each.of < latest ? { who: visit.events[latest].who, why: "adjusted again after it" } : null;
    const back = each.struck || (other ? { who: other.who, why: `another meter stood there: ${other.meter}` } : again);
    return back ? [{ ...nameOf(visit, each, each.of < first ? "as_found" : "as_left"), pct: each.pct, reading_air_pct: each.text, by: back.who, why: back.why }] : [];
  });
}

// The file as an object: rows to be taken in, one a line, and everything behind them.
function fileOf(states, facts, at) {
  const rows = { readings: [], marks: [], service: [] };
  const visits = states.map((state) => {
    const made = state.elsewhere ? { readings: [], marks: [], service: [] } : rowsOf(state);
    Object.keys(rows).forEach((table) => rows[table].push(...made[table]));
    return { ...state.visit, outcome: state.outcome, signed: state.isSigned };
  });
  return {
    made_by: "drift bench page", format: FILE_FORMAT, drift: facts.version, source: facts.source,
    as_of: facts.asOf, due_by: facts.dueBy, saved_at: at, visits, rows, taken_back: states.flatMap(takenBack),
  };
}

// As text, a row and an event a line, so that a line number leads a reader to it.
function textOf(file) {
  const list = (items, pad) => (items.length
    ? `[\n${items.map((item) => pad + JSON.stringify(item)).join(",\n")}\n${pad.slice(1)}]` : "[]");
  const head = Object.entries(file).filter(([name]) => !["visits", "rows", "taken_back"].includes(name));
  const visits = file.visits.map((visit) => {
    const { events, ...rest } = visit;
    return `  {${JSON.stringify(rest).slice(1, -1)}, "events": ${list(events, "    ")}}`;
  });
  const rows = Object.entries(file.rows).map(([name, items]) => `  ${JSON.stringify(name)}: ${list(items, "    ")}`);
  return `{\n${head.map(([name, value]) => ` ${JSON.stringify(name)}: ${JSON.stringify(value)}`).join(",\n")},\n` +
    ` "visits": [\n${visits.join(",\n")}\n ],\n "rows": {\n${rows.join(",\n")}\n },\n "taken_back": ${list(file.taken_back, "   ")}\n}\n`;
}

// Cells that a spreadsheet would run are told apart by the caller: such an id is never a formula here.
function csvOf(table, rows) {
  const cell = (value) => (/[",\r\n]/.test(value) ? `"${value.replace(/"/g, '""')}"` : value);
  const lines = [COLUMNS[table], ...rows.map((row) => COLUMNS[table].map((name) => row[name] || ""))];
  return lines.map((line) => line.map(cell).join(",")).join("\n") + "\n";
}

// The visits of a saved file, or of what the browser kept; what is none of ours is left out.
function visitsIn(text) {
  let held;
  try {
    held = JSON.parse(text);
  } catch {
    return null;
  }
  if (!held || !Array.isArray(held.visits)) return null;
  const isText = (value) => typeof value === "string";
  return held.visits.filter((visit) => visit && isText(visit.meter) && isText(visit.started) &&
    Array.isArray(visit.events) && visit.events.every((event) => event && isText(event.do) && isText(event.at)))
    .map(({ meter, kind, started, events }) => ({ meter, kind: isText(kind) ? kind : "round", started, events }));
}

// Two lists of visits as one: of the same visit the longer story stays.
function merged(ours, theirs) {
  const made = ours.slice();
  theirs.forEach((visit) => {
    const at = made.findIndex((each) => each.meter === visit.meter && each.started === visit.started);
    if (at < 0) made.push(visit);
    else if (visit.events.length > made[at].events.length) made[at] = visit;
  });
  return made;
}
