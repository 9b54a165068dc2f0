// One visit as a list of what happened, and what follows from it.  Pure functions: nothing is ever
// taken out of a visit, a reading that was wrong is struck by a later entry with its reason.
//
// A visit is {meter, kind, started, events}; an event {at, who, do, ...}:
//   read {pct, text, correct, vessel, step, water}   strike {of, why}     skip {pct, why}
//   vessel {pct, vessel, correct, from}              mark {text, unit, action}     step {text}
//   work {action, remarks}   leave {why}   other {meter}   note {text}   sign {}
// A mark that was moved, and every work on the meter, is an adjustment.
function isAdjustment(event) {
  return (event.do === "mark" && event.action === "moved") || event.do === "work";
}

// What the page knows of a meter, or of one that it has never heard of.
function meterOf(id, facts) {
  const known = facts.meters.find((meter) => meter.id === id);
  if (known) return known;
  const points = facts.points.map((pct) => (
    { pct, vessel: "", correct: pct === 0 ? 0 : null, from: "", step: facts.step, band: null }));
  return { id, site: "", kind: "new", due: null, late: 0, last: null, standing: "",
    interval: facts.interval, ...facts.usual, points };
}

// What a vessel stands for on the bowl of this meter, or on the bowl that it was weighed with.
function vesselValue(name, pct, { facts, meter }) {
  const vessel = facts.vessels.find((each) => each.vessel_id === name);
  const own = (meter.bowl || {})[name];
  if (!vessel && !own) return null;
  const air = own ? own.air : vessel.air_pct;
  const fills = Math.min(Math.max(Math.round(pct / air), 1), 3);
  return { correct: Math.round(air * fills * 100) / 100, fills, on: own ? own.on : vessel.calibrated_on, own: Boolean(own) };
}

// Where the meter's points stand: what to read there now, after every exchange of a vessel.
function pointsNow(visit, meter) {
  const chosen = {};
  let { step } = meter;
  visit.events.forEach((event) => {
    if (event.do === "vessel") chosen[event.pct] = event;
    if (event.do === "step") step = Number(event.text);
  });
  const points = meter.points.map((point) => (step > 0 ? { ...point, step } : point));
  return points.map((point) => {
    const other = chosen[point.pct];
    if (!other) return point;
    const band = other.vessel === point.vessel ? point.band : null;
    return { ...point, vessel: other.vessel, correct: other.correct, from: other.from, band };
  });
}

// Every reading, also struck ones with their strike; numbered within its point before the first
// adjustment and after it, so that a number once filed stands for that reading for good.
function everyReading(visit) {
  const struck = new Map(), first = visit.events.findIndex(isAdjustment), numbers = {};
  visit.events.forEach((event) => { if (event.do === "strike") struck.set(event.of, event); });
  return visit.events.map((event, at) => ({ ...event, of: at })).filter((event) => event.do === "read").map((event) => {
    const key = `${event.pct} ${first >= 0 && event.of > first}`;
    numbers[key] = (numbers[key] || 0) + 1;
    return { ...event, no: numbers[key], struck: struck.get(event.of) || null };
  });
}

function readingsOf(visit) {
  return everyReading(visit).filter((event) => !event.struck);
}

function sittingOf(readings, stage, point, rules) {
  const biases = readings.map((each) => tidy(Number(each.text) - each.correct));
  const code = successiveCode(biases, stage, rules);
  const values = readings.map((each) => Number(each.text));
  return {
    readings, biases, code, stage,
    mean: biases.length ? meanOf(biases) : null,
    tolerance: biases.length ? toleranceCode(biases, stage, rules) : null,
    expected: stage === "as_found" && biases.length ? isExpected(values, point.band) : null,
    settled: stage === "as_left" ? code === "held" : code === "no_action" || code === "act",
  };
}

// Everything that is known of a visit: points with what was found and left, marks, what is next.
function stateOf(visit, meter, facts) {
  const adjusted = visit.events.map((event, at) => (isAdjustment(event) ? at : -1)).filter((at) => at >= 0);
  const first = adjusted.length ? adjusted[0] : Infinity;
  const latest = adjusted.length ? adjusted[adjusted.length - 1] : Infinity;
  const readings = readingsOf(visit);
  const skipped = {};
  visit.events.forEach((event) => { if (event.do === "skip") skipped[event.pct] = event.why; });
  const points = pointsNow(visit, meter).map((point) => {
    const here = readings.filter((each) => each.pct === point.pct);
    return {
      ...point,
      skipped: skipped[point.pct] || "",
      found: sittingOf(here.filter((each) => each.of < first), "as_found", point, facts.rules),
      left: sittingOf(here.filter((each) => each.of > latest), "as_left", point, facts.rules),
      trials: here.filter((each) => each.of > first && each.of < latest),
    };
  });
  const marks = visit.events.filter((event) => event.do === "mark");
  const last = marks[marks.length - 1];
  const state = {
    visit, meter, points, marks,
    adjusted: adjusted.length,
    works: visit.events.filter((event) => event.do === "work"),
    mark: last ? Number(last.text) : meter.mark,
    markBefore: marks.length ? Number(marks[0].text) : meter.mark,
    unit: last ? last.unit : meter.unit,
    left: visit.events.some((event, at) => event.do === "leave" && !(at < latest && latest < Infinity)),
    signed: visit.events.reduce((found, event, at) => (event.do === "sign" ? at : found), -1),
    elsewhere: (visit.events.find((event) => event.do === "other") || {}).meter || "",
  };
  const ended = Math.max(-1, ...visit.events.map((event, at) => (
    ["read", "strike", "mark", "work", "vessel", "skip", "leave"].includes(event.do) ? at : -1)));
  state.isSigned = state.signed > ended;
  state.outcome = outcomeOf(state);
  state.next = nextOf(state);
  return state;
}

function foundOut(state) {
  return state.points.filter((point) => point.found.tolerance === "out_confirmed");
}

// Points of which what the meter had been doing there is lost: adjusted before they were read.
function lostPoints(state) {
  return state.adjusted ? state.points.filter((point) => !point.found.settled) : [];
}

// passes_as_found, passes_as_left, left_out, elsewhere or unfinished.
function outcomeOf(state) {
  if (state.elsewhere) return "elsewhere";
  const found = state.points.every((point) => point.found.settled);
  const spans = state.points.some((point) => point.pct > 0);
  if (!state.adjusted) {
    if (!found || !spans) return "unfinished";
    if (state.points.every((point) => point.found.tolerance === "within")) return "passes_as_found";
    return state.left ? "left_out" : "unfinished";
  }
  if (state.points.every((point) => point.left.settled && point.left.tolerance === "within")) {
    return found && spans ? "passes_as_left" : "unfinished";
  }
  return state.left ? "left_out" : "unfinished";
}

// What to do next: {step, pct}; steps are read, adjust, left and done.
function nextOf(state) {
  if (state.elsewhere) return { step: "done" };
  if (!state.adjusted) {
    const open = state.points.find((point) => !point.found.settled && !point.skipped);
    if (open) return { step: "read", pct: open.pct };
    const mean = state.points.some((point) => point.found.readings.length && point.found.tolerance !== "within");
    return { step: mean && !state.left ? "adjust" : "done" };
  }
  if (state.left) return { step: "done" };
  const worse = state.points.some((point) => point.left.tolerance === "out_confirmed");
  if (worse) return { step: "adjust" };
  const open = state.points.find((point) => !point.left.settled && !point.skipped);
  return open ? { step: "left", pct: open.pct } : { step: "done" };
}

// What the law of the dial is given: the sittings since the last adjustment.
function lawPoints(state) {
  const stage = state.adjusted ? "left" : "found";
  return state.points.filter((point) => point[stage].biases.length && point.correct !== null).map((point) => (
    { pct: point.pct, air: point.correct, biases: point[stage].biases, step: point.step }));
}

function dialOf(state) {
  const { k, kSd, sigma } = state.meter;
  return { k, kSd, sigma, mark: state.mark, unit: state.unit };
}

// The finest step to which the mark can be put, in its unit.
function settable(state, facts) {
  const zero = state.points.find((point) => point.pct === 0) || state.points[0];
  return facts.pressureSteps[state.unit] || zero.step;
}

// What the numbers advise: the weights of faults, the likeliest if one stands out, and the move.
function adviceOf(state, facts) {
  const points = lawPoints(state), dial = dialOf(state);
  if (!points.length) return { points, weights: {}, named: "", move: null, moves: false, hand: null };
  const weights = weighFaults(points, dial, facts.law);
  const best = Object.keys(weights).reduce((a, b) => (weights[b] > weights[a] ? b : a));
  const named = points.length > 1 && weights[best] >= facts.law.namedFrom ? best : "";
  const move = adviseMove(points, dial, settable(state, facts), facts.law);
  const zero = points.find((point) => point.air === 0);
  const zeroOut = Boolean(zero) && !isWithin(meanOf(zero.biases), facts.rules);
  return {
    points, weights, named, move,
    // Whether moving the mark is what the readings ask for, and not only what would null zero.
    moves: Boolean(move) && move.to !== state.mark && (named ? named === "mark" || named === "mark_and_hand" : zeroOut),
    hand: points.some((point) => point.air > 0) ? handChanges(points, dial.k) : null,
  };
}

// Whether the mark may be moved now: held until every point was read as found, unless the
// laboratory chooses otherwise.
function mayAdjust(state, facts) {
  return state.adjusted > 0 || !facts.holds ||
    state.points.every((point) => point.found.settled || point.skipped);
}
