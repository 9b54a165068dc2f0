// Tolerance, successive readings and bands, as drift/meter/tolerance.py, drift/conformity/tolerance.py and
// drift/review/bench_verdicts.py have them.  Pure functions: numbers in, words out.  `rules` are the
// laboratory's own, written into the page: limit and step count billionths of 1 % air.
const UNITS = 1e9;

// Round half to even, as recorded decimals are compared.
function rint(value) {
  const low = Math.floor(value), rest = value - low;
  if (rest < 0.5) return low;
  if (rest > 0.5) return low + 1;
  return low % 2 === 0 ? low : low + 1;
}

// A value as its decimals stand: 3.1 - 3.0 is 0.1 again.
function tidy(value) {
  return rint(value * UNITS) / UNITS;
}

function wholeSteps(value, step) {
  const units = rint(Math.abs(value) * UNITS);
  const rest = units % step, count = (units - rest) / step;
  const up = 2 * rest > step || (2 * rest === step && count % 2 === 1);
  return count + (up ? 1 : 0);
}

function isWithin(bias, rules) {
  return Number.isFinite(bias) && wholeSteps(bias, rules.step) <= rules.limit;
}

function meanOf(values) {
  return values.reduce((sum, value) => sum + value, 0) / values.length;
}

// As found: no_action, act, repeat, one_reading.  As left: held, repeat, one_reading.
function successiveCode(biases, stage, rules) {
  if (biases.length < 2) return "one_reading";
  const [before, last] = biases.slice(-2);
  const inside = isWithin(before, rules), lastInside = isWithin(last, rules);
  if (stage === "as_left") {
    return inside && lastInside && isWithin(last - before, rules) ? "held" : "repeat";
  }
  if (inside && lastInside) return "no_action";
  return !inside && !lastInside && before > 0 === last > 0 ? "act" : "repeat";
}

// within, out_confirmed or out_unconfirmed.
function toleranceCode(biases, stage, rules) {
  const last = biases.slice(-2).map((bias) => isWithin(bias, rules));
  const outTwice = stage === "as_left" && last.length === 2 && !last.some(Boolean);
  if (successiveCode(biases, stage, rules) === "act" || outTwice) return "out_confirmed";
  if (!last.every(Boolean) || !isWithin(meanOf(biases), rules)) return "out_unconfirmed";
  return "within";
}

// Whether readings are what the meter's own history lets expect; null where it lets expect nothing.
// `band` has the dial marks that one reading may show and the ends for the mean of all, % air.
function isExpected(readings, band) {
  if (!band) return null;
  const within = (value, ends) => value >= ends[0] - 1e-9 && value <= ends[1] + 1e-9;
  return readings.every((value) => within(value, band.one)) &&
    (readings.length < band.replicates || within(meanOf(readings), band.mean));
}

// Why a typed reading cannot be meant, is to be looked at again, or is fine (an empty text).
function readingTrouble(text, rules, step) {
  const value = Number(text);
  if (text === "" || text === "-" || !Number.isFinite(value)) return { stop: "Key in what the dial shows." };
  if (value < rules.lowest || value > rules.highest) {
    return { stop: `No dial of this kind shows ${text} %: ${rules.lowest} to ${rules.highest}.` };
  }
  const marks = value / step;
  const finer = Math.abs(marks - Math.round(marks)) > 1e-6;
  return finer ? { look: `Finer than the step of ${step} that this dial is read to.` } : {};
}
