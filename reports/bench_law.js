// The law of the dial, as drift/meter/bench_rules.py has it, which says what each step rests on.
// `law` holds the shares, spreads and nodes of that module.  A point is {air, biases, step}, a dial
// {k, kSd, sigma, mark, unit}; all in % air, the mark in its own unit.
const LAW_PARTS = {
  nothing: [], mark: ["mark"], hand: ["hand"], volume: ["volume"], leak: [],
  mark_and_hand: ["mark", "hand"], mark_and_volume: ["mark", "volume"],
};

function markShape(air, k) { return (air + k) / (5 + k); }
function handShape(air, k) { return (air / 5) * markShape(air, k); }
function volumeShape(air) { return air / 5; }

function cholesky(matrix) {
  const size = matrix.length, lower = matrix.map(() => new Array(size).fill(0));
  for (let i = 0; i < size; i += 1) {
    for (let j = 0; j <= i; j += 1) {
      let sum = matrix[i][j];
      for (let n = 0; n < j; n += 1) sum -= lower[i][n] * lower[j][n];
      lower[i][j] = i === j ? Math.sqrt(sum) : sum / lower[j][j];
    }
  }
  return lower;
}

function solveWith(lower, values) {
  const size = lower.length, found = values.slice();
  for (let i = 0; i < size; i += 1) {
    for (let n = 0; n < i; n += 1) found[i] -= lower[i][n] * found[n];
    found[i] /= lower[i][i];
  }
  for (let i = size - 1; i >= 0; i -= 1) {
    for (let n = i + 1; n < size; n += 1) found[i] -= lower[n][i] * found[n];
    found[i] /= lower[i][i];
  }
  return found;
}

function dot(left, right) { return left.reduce((sum, value, at) => sum + value * right[at], 0); }

// The complementary error function, by its series near zero and its continued fraction (Lentz)
// beyond; Abramowitz and Stegun 7.1.5 and 7.1.14, from memory.
function erfc(x) {
  if (x < 0) return 2 - erfc(-x);
  if (x < 2.5) {
    let term = x, sum = x;
    for (let n = 1; n < 80; n += 1) {
      term *= -(x * x) / n;
      sum += term / (2 * n + 1);
    }
    return 1 - (2 / Math.sqrt(Math.PI)) * sum;
  }
  let rest = 0;
  for (let n = 80; n > 0; n -= 1) rest = n / 2 / (x + rest);
  return Math.exp(-x * x) / Math.sqrt(Math.PI) / (x + rest);
}

function scatterOf(points, sigma, erratic) {
  let log = 0;
  const noise = points.map((point, at) => {
    const mean = meanOf(point.biases), rounding = (point.step * point.step) / 12;
    const own = sigma * sigma + erratic[at], count = point.biases.length;
    const scatter = point.biases.reduce((sum, bias) => sum + (bias - mean) ** 2, 0);
    log -= ((count - 1) / 2) * Math.log(own + rounding) + scatter / (2 * (own + rounding));
    return own / count + rounding;
  });
  return { log, noise };
}

function logReadsHigh(shape, lower, means, law) {
  const solved = solveWith(lower, shape), size = law.leakSpread ** 2;
  const mean = size * dot(solved, means), variance = size - size * size * dot(solved, shape);
  return Math.log(Math.max(erfc(-mean / Math.sqrt(2 * variance)), 1e-300));
}

function lawNode(points, dial, law, z) {
  const k = dial.k * Math.exp((z * dial.kSd) / dial.k), air = points.map((point) => point.air);
  const means = points.map((point) => meanOf(point.biases)), grain = law.graduation ** 2;
  const shapes = {
    mark: air.map((each) => markShape(each, k)),
    hand: air.map((each) => handShape(each, k)),
    volume: air.map(volumeShape),
  };
  const node = { k, logs: [], zero: [], zeroVar: [] };
  Object.entries(law.faults).forEach(([name, prior]) => {
    const leak = name === "leak";
    const erratic = shapes.mark.map((shape) => (leak ? law.leakErratic ** 2 * shape * shape : 0));
    const { log: within, noise } = scatterOf(points, dial.sigma, erratic);
    const parts = LAW_PARTS[name].map((part) => [law.spreads[part], shapes[part]]);
    if (leak) parts.push([law.leakSpread, shapes.mark]);
    const cov = air.map((_, i) => air.map((__, j) => {
      const own = i === j ? noise[i] + grain : 0;
      return parts.reduce((sum, [size, shape]) => sum + size * size * shape[i] * shape[j], own);
    }));
    const lower = cholesky(cov), solved = solveWith(lower, means);
    let log = within - dot(means, solved) / 2;
    lower.forEach((row, at) => { log -= Math.log(row[at]); });
    if (leak) log += logReadsHigh(shapes.mark, lower, means, law);
    const marked = LAW_PARTS[name].includes("mark");
    const reach = marked ? markShape(0, k) * law.spreads.mark ** 2 : 0;
    const pull = air.map((each, at) => (each === 0 ? grain : 0) + reach * shapes.mark[at]);
    node.logs.push(Math.log(prior) - (z * z) / 2 + log);
    node.zero.push(dot(pull, solved));
    node.zeroVar.push(Math.max(grain + reach * markShape(0, k) - dot(pull, solveWith(lower, pull)), 0));
  });
  return node;
}

// The probability of each fault, by name.
function weighFaults(points, dial, law) {
  const nodes = law.nodes.map((z) => lawNode(points, dial, law, z));
  const most = Math.max(...nodes.flatMap((node) => node.logs));
  const names = Object.keys(law.faults);
  const sums = names.map((_, at) => nodes.reduce((sum, node) => sum + Math.exp(node.logs[at] - most), 0));
  const total = sums.reduce((sum, value) => sum + value, 0);
  return Object.fromEntries(names.map((name, at) => [name, sums[at] / total]));
}

// Where to put the mark; null where zero was not read or nobody knows where the mark stands.
function adviseMove(points, dial, setStep, law) {
  const { mark } = dial, onDial = dial.unit === "dial_pct";
  if (mark === null || !Number.isFinite(mark) || !points.some((point) => point.air === 0)) return null;
  if (!onDial && mark <= 0) return null;
  const nodes = law.nodes.map((z) => lawNode(points, dial, law, z))
    .filter((node) => !onDial || node.k + mark > 0);
  if (!nodes.length) return null;
  const names = Object.keys(law.faults);
  const cells = nodes.flatMap((node) => names.flatMap((name, at) => (name === "leak" ? [] : [
    { k: node.k, log: node.logs[at], zero: node.zero[at], zeroVar: node.zeroVar[at] },
  ])));
  const most = Math.max(...cells.map((cell) => cell.log));
  const total = cells.reduce((sum, cell) => sum + Math.exp(cell.log - most), 0);
  const average = (ask) => cells.reduce(
    (sum, cell) => sum + (Math.exp(cell.log - most) / total) * ask(cell), 0);
  const rho = (cell) => (cell.k + cell.zero) / cell.k;
  const wanted = (cell) => (onDial ? (cell.k + mark) / rho(cell) - cell.k : mark * rho(cell));
  const slope = (cell) => (onDial ? (cell.k + mark) / (rho(cell) ** 2 * cell.k) : mark / cell.k);
  const exact = average(wanted);
  const sd = Math.sqrt(average((c) => (wanted(c) - exact) ** 2 + slope(c) ** 2 * c.zeroVar));
  const to = tidy(Math.floor(exact / setStep + 0.5) * setStep);
  const put = (cell) => (onDial ? (cell.k + mark) / (cell.k + to) : to / mark);
  const after = (cell) => (cell.zero + cell.k) / put(cell) - cell.k, zeroAfter = average(after);
  return {
    exact, sd, to, zeroAfter,
    changes: points.map((point) => {
      const level = meanOf(point.biases);
      return average((cell) => (point.air + level + cell.k) * (1 / put(cell) - 1));
    }),
    zeroAfterSd: Math.sqrt(average((cell) => (after(cell) - zeroAfter) ** 2 + cell.zeroVar)),
  };
}

// What resetting the hand does at each point if it is right at the one nearest 5 %.
function handChanges(points, k) {
  const spans = points.filter((point) => point.air > 0);
  const about = spans.reduce((best, point) => (
    Math.abs(point.air - 5) < Math.abs(best.air - 5) ? point : best));
  const off = meanOf(about.biases), unit = handShape(about.air, k);
  return points.map((point) => (-off * handShape(point.air, k)) / unit);
}
