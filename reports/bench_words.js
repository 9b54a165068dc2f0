// Numbers and sentences of the bench.  Pure functions: text out, never markup.
const MINUS = "\u2212", THIN = "\u00a0";
const POINT_NAMES = { found: "as found", left: "as left" };
const ORDINALS = ["first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth"];
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

function fixed(value, places = 2) {
  const text = Math.abs(value).toFixed(places);
  return value < 0 && Number(text) !== 0 ? MINUS + text : text;
}

function signed(value, places = 2) {
  const text = fixed(value, places);
  return Number(Math.abs(value).toFixed(places)) === 0 || value < 0 ? text : `+${text}`;
}

function placesOf(step) {
  const text = String(step);
  return text.includes(".") ? Math.min(text.split(".")[1].length, 3) : 0;
}

function asTyped(text) {
  return text.replace("-", MINUS);
}

function dayOf(iso) {
  if (!iso) return "";
  const [year, month, day] = iso.slice(0, 10).split("-").map(Number);
  return `${day}${THIN}${MONTHS[month - 1]}${THIN}${year}`;
}

function laterDay(iso, days) {
  const day = new Date(`${iso.slice(0, 10)}T12:00:00Z`);
  day.setUTCDate(day.getUTCDate() + days);
  return day.toISOString().slice(0, 10);
}

function pointName(pct) {
  return pct === 0 ? "zero" : `${fixed(pct, placesOf(pct))}${THIN}%`;
}

function inChance(value) {
  if (value < 0.01) return `under 1${THIN}%`;
  return value > 0.99 ? `over 99${THIN}%` : `${Math.round(value * 100)}${THIN}%`;
}

function listedWords(words) {
  return words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} and ${words[words.length - 1]}`;
}

function drawnOff(point, known) {
  const value = vesselValue(point.vessel, point.pct, known);
  const times = ["once", "twice", "three times"][value ? value.fills - 1 : -1];
  if (!point.vessel) return "The vessel of this point is not known: choose one.";
  return `Draw off ${point.vessel}${times ? ` ${times}` : ""}, about ${fixed(point.pct, placesOf(point.pct))}${THIN}%.`;
}

// How a point reads as a headline: the finding, not the topic.
function sittingHeadline(point, stage) {
  const sitting = point[stage], name = pointName(point.pct), count = sitting.biases.length;
  if (point.skipped && !count) return `${capital(name)} cannot be read today.`;
  if (!count) return stage === "left" ? `Read ${name} again, as left.` : `Read ${name} as found.`;
  const last = sitting.readings[count - 1], shown = asTyped(last.text);
  if (sitting.code === "act") {
    return `${capital(name)} is out: ${listedWords(lastTwo(sitting))}${sameTwice(sitting) ? ", twice" : ""}.`;
  }
  if (sitting.settled && sitting.tolerance === "within") {
    return stage === "left" ? `${capital(name)} holds: two in a row agree.` : `${capital(name)} is within tolerance, twice.`;
  }
  if (sitting.settled) return `${capital(name)}: the last two pass, the mean of all does not.`;
  if (sitting.tolerance === "out_confirmed") return `${capital(name)} is still out, twice.`;
  if (count === 1) {
    const out = sitting.tolerance !== "within";
    return `${shown} is ${out ? "out" : "within tolerance"}. Read it a second time.`;
  }
  return `${shown}: the last two disagree. Read again.`;
}

function lastTwo(sitting) {
  const told = sitting.biases.slice(-2).map((bias) => signed(bias));
  return told[0] === told[1] ? [told[0]] : told;
}

function sameTwice(sitting) {
  return lastTwo(sitting).length === 1;
}

function capital(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}

// The verdict on a sitting: tone, title and what to do.
function sittingVerdict(point, stage, state, facts) {
  const sitting = point[stage], count = sitting.biases.length;
  if (!count) return null;
  const last = sitting.biases[count - 1], limit = facts.rules.tolerance;
  const inside = isWithin(last, facts.rules);
  const title = `${signed(last)}: ${inside ? "within" : "outside"} ±${limit}`;
  if (stage === "found" && sitting.expected === false) {
    return { tone: "stop", title, text: `${surprise(point, sitting)} ${fitsOthers(point, state)}`.trim() };
  }
  if (sitting.code === "one_reading") {
    const once = inside ? "One reading decides nothing: two in a row that agree do."
      : "One reading decides nothing: two in a row out on the same side do.";
    return { tone: inside ? "calm" : "stop", title, text: `${once} ${inside ? "" : fitsOthers(point, state)}`.trim() };
  }
  if (sitting.code === "act" || (stage === "left" && sitting.tolerance === "out_confirmed")) {
    return { tone: "stop", title: `Out, confirmed by two: ${signed(sitting.mean)} on the mean`,
      text: stage === "left" ? "Not put right: adjust again, then read all points as left." : "" };
  }
  if (sitting.code === "repeat") {
    return { tone: "look", title, text: "The last two do not agree. Repeat before anything is adjusted." };
  }
  if (sitting.tolerance !== "within") {
    return { tone: "look", title: `The mean of all, ${signed(sitting.mean)}, is outside ±${limit}`,
      text: "The last two pass. A review judges by the mean: strike a reading that was clearly done wrongly, with its reason." };
  }
  return { tone: "calm", title: `The last two agree: ${lastTwo(sitting).join(" and ")}`, text: "" };
}

function surprise(point, sitting) {
  const [low, high] = point.band.one.map((end) => fixed(end, placesOf(point.step)));
  const range = low === high ? low : `${low} to ${high}`;
  return sitting.biases.length < 2
    ? `Not what its history lets expect (${range}). Read again before adjusting.`
    : `Not what its history lets expect (${range}), and read ${sitting.biases.length} times: it has changed since it was last seen.`;
}

// Whether a span reading fits what the mark, by zero, does there; a slip of the pen is unlikely then.
function fitsOthers(point, state) {
  const zero = state.points.find((each) => each.pct === 0);
  if (point.pct === 0 || !zero || !zero.found.settled || zero.found.tolerance === "within") return "";
  const { k } = state.meter, awaited = (zero.found.mean * (point.correct + k)) / k;
  const last = point.found.biases[point.found.biases.length - 1];
  if (Math.abs(last - awaited) > 0.1 + Math.abs(awaited) / 4) return "";
  return `It fits the zero: a mark off by ${fixed(Math.abs(zero.found.mean))} reads ${fixed(Math.abs(awaited))} ` +
    `${awaited > 0 ? "high" : "low"} here, so a slip of the pen is unlikely.`;
}

// What is worked out for the mark, in a sentence or two.
function moveSentences(advice, state) {
  const { move } = advice, { k, kSd } = state.meter, places = state.unit === "dial_pct" ? 3 : 2;
  const readings = advice.points.reduce((sum, point) => sum + point.biases.length, 0);
  const takes = advice.points.map((point, at) => (
    `${signed(move.changes[at])} at ${pointName(point.pct)}`));
  return [
    `Worked out from ${readings} readings and a chamber of ${fixed(k, 1)} ± ${fixed(2 * kSd, 1)}${THIN}% of the bowl: ` +
    `${fixed(move.exact, places)} ± ${fixed(2 * move.sd, places)}; nearest you can set, ${markText(move.to, state)}.`,
    `It changes ${listedWords(takes)}. Zero should then read ${signed(move.zeroAfter)} ± ${fixed(2 * move.zeroAfterSd)} (19 times in 20).`,
  ];
}

function markText(value, state) {
  return state.unit === "dial_pct" ? fixed(value) : `${fixed(value, placesOf(Math.round(value * 100) / 100))}`;
}

// What to do about a meter found out, before anything is unscrewed.
function adviceHeadline(advice, state) {
  const { named, move, moves } = advice;
  if (named === "leak") return "Look for a leak before the mark.";
  if (named === "hand") return "Reset the hand. Leave the mark.";
  if (named === "volume") return "Dry the chamber, change the vessel.";
  if (named === "mark_and_volume") return "Chamber and vessel first, then the mark.";
  if (moves && (named || advice.points.length === 1)) {
    return `Move the mark from ${markText(state.mark, state)} to ${markText(move.to, state)}.`;
  }
  if (named.startsWith("mark")) return "The mark is off.";
  return named === "nothing" ? "Nothing stands out. Read again." : "The readings do not point to one cause.";
}

function outcomeWords(state) {
  const { meter } = state.visit;
  if (state.outcome === "passes_as_found") return { tone: "calm", text: `Done. ${meter} passes as found at every point.` };
  if (state.outcome === "passes_as_left") return { tone: "calm", text: `Done. ${meter} passes as left at every point.` };
  if (state.outcome === "left_out") return { tone: "stop", text: `${meter} is out and not put right.` };
  if (state.outcome === "elsewhere") return { tone: "look", text: `${meter} was not here: ${state.elsewhere} was.` };
  return { tone: "look", text: `Unfinished: ${openPoints(state).length ? `${listedWords(openPoints(state))} still to read` : "see below"}.` };
}

// Points that still lack what a finished visit needs.
function openPoints(state) {
  const open = (stage) => state.points.filter((point) => !point[stage].settled)
    .map((point) => `${pointName(point.pct)} ${POINT_NAMES[stage]}`);
  return [...open("found"), ...(state.adjusted ? open("left") : [])];
}

function statusOf(state) {
  if (!state.visit.events.length) return "begun";
  if (state.outcome === "unfinished") {
    const { step, pct } = state.next;
    const next = step === "adjust" ? "adjust" : `${pct === undefined ? "look again" : pointName(pct)}`;
    return step === "done" ? "unfinished" : `unfinished, next: ${next}`;
  }
  const words = { passes_as_found: "passes as found", passes_as_left: "passes as left",
    left_out: "OUT, not put right", elsewhere: `not here: ${state.elsewhere} was` }[state.outcome];
  if (state.outcome === "elsewhere") return words;
  return state.isSigned ? `${words}, signed` : `${words}, not signed`;
}
