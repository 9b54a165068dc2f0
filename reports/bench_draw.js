// The two drawings: where the mark goes on the dial, and where readings lie about what is correct.
// Both say in words beside them what they show, and are hidden from who cannot see them.
const SVG = "http://www.w3.org/2000/svg";

function s(name, attributes, text) {
  const node = document.createElementNS(SVG, name);
  Object.entries(attributes).forEach(([key, value]) => node.setAttribute(key, String(value)));
  if (text !== undefined) node.textContent = text;
  return node;
}

function canvas(width, height, label) {
  return s("svg", { viewBox: `0 0 ${width} ${height}`, class: "drawing", role: "img", "aria-label": label });
}

// The top of the dial: the hand on a bowl full of water, the mark now and where it goes.  Air grows
// to the left, since more pressure turns the hand the other way.
function drawDial(zero, mark, to) {
  const lowest = Math.min(mark, to, zero, 0) - 0.12, highest = Math.max(mark, to, zero, 0) + 0.12;
  const middle = (lowest + highest) / 2, half = Math.max((highest - lowest) / 2, 0.3);
  const label = `The hand reads ${signed(zero)} on a bowl full of water; the mark goes from ${fixed(mark)} to ${fixed(to)}.`;
  const picture = canvas(378, 196, label), cx = 189, cy = 414, radius = 350;
  const angle = (value) => ((middle - value) / half) * 0.4;
  const at = (value, r) => [cx + r * Math.sin(angle(value)), cy - r * Math.cos(angle(value))];
  const line = (value, from, until, kind) => {
    const [x1, y1] = at(value, from), [x2, y2] = at(value, until);
    picture.append(s("line", { x1, y1, x2, y2, class: kind }));
  };
  const arc = (from, until, r, kind) => {
    const [x1, y1] = at(from, r), [x2, y2] = at(until, r);
    const sweep = angle(until) > angle(from) ? 1 : 0;
    picture.append(s("path", { d: `M${x1} ${y1}A${r} ${r} 0 0 ${sweep} ${x2} ${y2}`, class: kind }));
  };
  const text = (value, r, words, kind) => {
    const [x, y] = at(value, r);
    picture.append(s("text", { x, y, class: kind, "text-anchor": "middle" }, words));
  };
  arc(middle + half, middle - half, radius, "rim");
  const few = half > 0.7 ? 0.5 : 0.2;
  for (let n = Math.ceil((middle - half) / 0.05); n * 0.05 <= middle + half + 1e-9; n += 1) {
    const value = tidy(n * 0.05), tenth = n % 2 === 0;
    line(value, radius, radius - (tenth ? 17 : 10), "tick");
    if (Math.abs(value / few - Math.round(value / few)) < 1e-6) text(value, radius - 36, fixed(value, 1), "label");
  }
  line(zero, radius - 6, radius - 122, "hand");
  const [hx, hy] = at(zero, radius - 110), toRight = hx < 200;
  picture.append(s("text", {
    x: toRight ? hx + 12 : hx - 12, y: hy + 4, class: "stop-label", "text-anchor": toRight ? "start" : "end",
  }, `hand reads ${signed(zero)}`));
  line(mark, radius + 3, radius + 26, "mark-now");
  if (to !== mark) {
    line(to, radius - 2, radius + 24, "mark-to");
    const way = Math.sign(to - mark), gap = 0.012 * half * 2;
    if (Math.abs(to - mark) > 3 * gap) arc(mark + way * gap, to - way * 2.2 * gap, radius + 13, "way");
    const [ax, ay] = at(to - way * gap, radius + 13), turn = (angle(to) * 180) / Math.PI + (way < 0 ? 0 : 180);
    picture.append(s("path", { d: "M0 0L-10 -5L-10 5Z", class: "tip", transform: `translate(${ax} ${ay}) rotate(${turn})` }));
    const [tx, ty] = at(to, radius + 32), edge = Math.min(Math.max(tx, 40), 338);
    picture.append(s("text", { x: edge, y: ty, class: "go-label", "text-anchor": "middle" }, `to ${fixed(to)}`));
  }
  const [mx] = at(mark, radius + 40), crowded = Math.abs(angle(mark) - angle(to)) < 0.3;
  picture.append(s("text", {
    x: Math.min(Math.max(mx, 60), 318), y: crowded && to !== mark ? 12 : at(mark, radius + 32)[1],
    class: "label strong", "text-anchor": "middle",
  }, `mark now ${fixed(mark)}`));
  return picture;
}

// Readings of one point on a line: what passes, what was expected, a diamond outside and a dot inside.
function drawStrip(point, sitting, facts) {
  const limit = facts.rules.tolerance, { correct } = point;
  const values = sitting.readings.map((each) => Number(each.text));
  const band = sitting.stage === "as_found" && point.band ? point.band.one : null;
  const ends = [correct - 2 * limit, correct + 2 * limit, ...values, ...(band || [])];
  const low = Math.min(...ends) - limit / 2, high = Math.max(...ends) + limit / 2;
  const x = (value) => 12 + ((value - low) / (high - low)) * 354;
  const passes = `passes ${fixed(correct - limit)} to ${fixed(correct + limit)}`;
  const picture = canvas(378, 84, `Readings ${values.map((value) => fixed(value)).join(", ")}; ${passes}.`);
  picture.append(
    s("rect", { x: x(correct - limit), y: 26, width: x(correct + limit) - x(correct - limit), height: 32, class: "pass" }),
    s("line", { x1: x(low), x2: x(high), y1: 58, y2: 58, class: "axis" }),
  );
  if (band) {
    const width = Math.max(x(band[1]) - x(band[0]), 4);
    picture.append(s("rect", { x: x(band[0]) - (width === 4 ? 2 : 0), y: 38, width, height: 9, class: "awaited" }));
  }
  [-1, 1].forEach((side) => {
    const end = x(correct + side * limit);
    picture.append(s("line", { x1: end, x2: end, y1: 22, y2: 58, class: "limit" }));
  });
  const middle = Math.min(Math.max(x(correct), 78), 300);
  picture.append(s("text", { x: middle, y: 14, class: "label dark", "text-anchor": "middle" }, passes));
  const tick = high - low > 1 ? 0.5 : high - low > 0.45 ? 0.2 : 0.1;
  for (let n = Math.ceil(low / tick); n * tick <= high; n += 1) {
    const value = tidy(n * tick);
    picture.append(s("line", { x1: x(value), x2: x(value), y1: 58, y2: 63, class: "axis" }),
      s("text", { x: x(value), y: 79, class: "label", "text-anchor": "middle" }, fixed(value, 1)));
  }
  values.forEach((value, at) => {
    const inside = isWithin(sitting.biases[at], facts.rules), cx = x(value), newest = at === values.length - 1;
    if (inside) picture.append(s("circle", { cx, cy: 42, r: newest ? 7 : 5, class: "inside" }));
    else picture.append(s("path", { d: `M${cx} ${33}l9 9l-9 9l-9 -9Z`, class: "outside" }));
  });
  return picture;
}
