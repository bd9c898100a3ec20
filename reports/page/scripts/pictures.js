// Jars, strips and reach bars, drawn as `reports.pictures.strip` draws them; colours come by class from the page's style.

const MARK = "M-2.75 -7.5h5.5v2h-5.5zM-2.25 -4.75h4.5l2.25 2.5v7.25h-9v-7.25z";

function coordinate(value) {
  return Number(value.toFixed(1));
}

function line(x1, y1, x2, y2, cls) {
  return s("path", { d: `M${coordinate(x1)} ${coordinate(y1)}L${coordinate(x2)} ${coordinate(y2)}`, class: cls });
}

function trace(points, cls, closed = false) {
  const d = `M${points.map(([x, y]) => `${coordinate(x)} ${coordinate(y)}`).join("L")}${closed ? "Z" : ""}`;
  return s("path", { d, class: cls });
}

function picture(width, height, says, wide, children) {
  const cls = wide ? "pic wide-pic" : "pic";
  return s("svg", { class: cls, viewBox: `0 0 ${width} ${height}`, width, height, role: "img", "aria-label": says },
    children);
}

function jarBody(x, y, fill) {
  const top = y + 7;
  const body = `M${x + 4} ${top}h17v2.5q4 1.5 4 5v21q0 3.5 -3.5 3.5h-18q-3.5 0 -3.5 -3.5v-21q0 -3.5 4 -5z`;
  const parts = [s("path", { d: `M${x + 2.5} ${y}h20v5h-20z`, class: "glass" })];
  if (fill > 0) {
    const floor = top + 29.5;
    const level = coordinate(floor - 23 * fill);
    const inside = `M${x + 2.4} ${level}H${x + 22.6}V${floor - 2}q0 2 -2 2H${x + 4.4}q-2 0 -2 -2z`;
    parts.push(s("path", { d: inside, class: "filled" }));
  }
  return [...parts, s("path", { d: body, class: "glass" })];
}

function jars(chance, interval) {
  const filled = Math.round(100 * Math.min(Math.max(chance, 0), 1)) / 10;
  const parts = [];
  for (let i = 0; i < 10; i++) parts.push(...jarBody(2 + i * 34, 4, Math.min(Math.max(filled - i, 0), 1)));
  let says = `${batchesInWords(chance, "new batches")} pass everything (${likely(chance)})`;
  if (interval) {
    const x = (share) => 2 + share * 331;
    const [left, right] = interval.map(x);
    parts.push(trace([[left, 49], [left, 55], [right, 55], [right, 49]], "axis"));
    parts.push(line(x(chance), 50, x(chance), 60, "limit"));
    says += `, 90 % interval ${chanceBetween(interval)}`;
  }
  return picture(340, interval ? 62 : 46, says, false, parts);
}

function stateSign(state) {
  const ring = (cls) => s("circle", { cx: 7, cy: 7, r: 5, class: cls });
  const inner = {
    meets: () => [ring("filled")],
    close: () => [s("path", { d: "M7 2a5 5 0 0 0 0 10z", class: "filled" }), ring("glass")],
    misses: () => [ring("clayline"), line(3.5, 10.5, 10.5, 3.5, "clayline")],
    watched: () => [s("circle", { cx: 7, cy: 7, r: 1.8, class: "dot" })],
  };
  const box = { class: "pic sign", viewBox: "0 0 14 14", width: 14, height: 14, "aria-hidden": "true" };
  return s("svg", box, inner[state]());
}

function axisOf(low, high, start, end, log) {
  const turn = log ? Math.log : (v) => v;
  const least = turn(low);
  const most = turn(high);
  const at = (value) => {
    const here = turn(log ? Math.max(value, low * 1e-6) : value);
    const share = most === least ? 0.5 : (here - least) / (most - least);
    return start + Math.min(Math.max(share, -0.5), 1.5) * (end - start);
  };
  at.back = (share) => (log ? Math.exp(least + share * (most - least)) : least + share * (most - least));
  return Object.assign(at, { low, high, start, end });
}

const STRIP_WIDTH = 360;
const STRIP_POINTS = 72;

// Heights of one batch's density along a strip, per length of the strip as it is drawn, highest 1.
function stripShape(found, axis, log) {
  const points = [];
  for (let i = 0; i < STRIP_POINTS; i++) {
    const value = axis.back((i + 0.5) / STRIP_POINTS);
    const rate = found.scale.slope ? found.scale.slope(value) * (log ? value : 1) : 0;
    const on = found.scale.forward(value);
    points.push([value, Number.isFinite(on) ? found.law.density(on) * rate : 0]);
  }
  const top = Math.max(...points.map((point) => point[1]));
  return top > 0 ? points.map(([value, height]) => [value, height / top]) : [];
}

// The part of a curve between two pixels, cut exactly at both.
function cut(points, left, right) {
  const out = [];
  for (let i = 1; i < points.length; i++) {
    const [x0, y0] = points[i - 1];
    const [x1, y1] = points[i];
    const a = Math.max(x0, left);
    const b = Math.min(x1, right);
    if (b <= a) continue;
    const rise = x1 > x0 ? (y1 - y0) / (x1 - x0) : 0;
    if (!out.length) out.push([a, y0 + rise * (a - x0)]);
    out.push([b, y0 + rise * (b - x0)]);
  }
  return out;
}

function hill(found, axis, log, base, [low, high]) {
  const points = stripShape(found, axis, log).map(([v, height]) => [axis(v), base - 27 * height]);
  if (points.length < 2) return [];
  const left = low === null ? -1e9 : axis(low);
  const right = high === null ? 1e9 : axis(high);
  const pieces = [[cut(points, left, right), "pass"], [cut(points, -1e9, left), "fail"], [cut(points, right, 1e9), "fail"]];
  return pieces.filter(([piece]) => piece.length > 1).map(([piece, cls]) => {
    return trace([[piece[0][0], base], ...piece, [piece[piece.length - 1][0], base]], cls, true);
  });
}

function lozenge(name, value, unit, axis, base) {
  let d = `M${coordinate(axis(value))} ${base - 5}l4 5l-4 5l-4 -5z`;
  if (value > axis.high) d = `M${axis.end + 2} ${base - 4}l6 4l-6 4z`;
  if (value < axis.low) d = `M${axis.start - 2} ${base - 4}l-6 4l6 4z`;
  return s("path", { d, class: "ring" }, s("title", {}, `${name}: ${exactly(value)} ${unit}`));
}

function strip(response, found, look, window, says) {
  const base = 38;
  const axis = axisOf(look.low, look.high, 10, STRIP_WIDTH - 10, look.log);
  const isShare = response.kind === "pass";
  const [low, high] = isShare ? [null, null] : window;
  const parts = found.law && response.kind === "number" ? hill(found, axis, look.log, base, window) : [];
  parts.push(line(axis.start, base, axis.end, base, "axis"));
  for (const [name, value] of look.marks) parts.push(lozenge(name, value, response.unit, axis, base));
  for (const [limit, turn] of [[low, 5], [high, -5]]) {
    if (limit === null) continue;
    const x = axis(limit);
    parts.push(trace([[x + turn, base - 15], [x, base - 15], [x, base + 9], [x + turn, base + 9]], "limit"));
  }
  if (response.target !== null && !isShare) {
    parts.push(line(axis(response.target), base - 7, axis(response.target), base + 7, "limit"));
  }
  if (exists(found.value)) parts.push(markAt(axis(isShare ? shareOf(found) : found.value), base + 1));
  const placed = isShare ? [[36, "none passes"], [axis.end - 22, "all pass"]] : [];
  for (const value of [low, high, response.target]) {
    if (value === null) continue;
    const text = look.write(value);
    const x = Math.min(Math.max(axis(value), 16), axis.end - 6);
    if (placed.some(([other, said]) => Math.abs(x - other) <= 4 + 3.4 * (text.length + said.length))) continue;
    placed.push([x, text]);
  }
  for (const [x, text] of placed) parts.push(s("text", { x: coordinate(x), y: base + 22, "text-anchor": "middle" }, text));
  return picture(STRIP_WIDTH, 62, says, true, parts);
}

// A bar for each grade, as high as its share of new batches; brackets stand between grades. As `strip._graded`.
function gradedStrip(response, found, look, window, says, names) {
  const base = 38;
  const axis = axisOf(look.low, look.high, 10, STRIP_WIDTH - 10, false);
  const apart = axis(names[1][1]) - axis(names[0][1]);
  const [low, high] = window;
  const shares = gradeShares(found, names.map(([, value]) => value));
  const parts = names.flatMap(([name, value], i) => {
    const met = (low === null || value >= low) && (high === null || value <= high);
    const height = 30 * shares[i];
    return [s("rect", { x: coordinate(axis(value) - 0.3 * apart), width: coordinate(0.6 * apart), height: coordinate(height),
      y: coordinate(base - height), class: met ? "pass" : "fail" }, s("title", {}, `${name}: ${likely(shares[i])}`)),
    s("text", { x: coordinate(axis(value)), y: base + 18, "text-anchor": "middle" }, shortened(name, Math.max(3, Math.trunc(apart / 6))))];
  });
  parts.push(line(axis.start, base, axis.end, base, "axis"));
  for (const [name, value] of look.marks) parts.push(lozenge(name, value, response.unit, axis, base));
  for (const [limit, turn] of [[low, 5], [high, -5]]) {
    if (limit === null) continue;
    const x = axis(limit) - Math.sign(turn) * apart / 2;
    parts.push(trace([[x + turn, base - 15], [x, base - 15], [x, base + 9], [x + turn, base + 9]], "limit"));
  }
  return picture(STRIP_WIDTH, 62, says, true, parts);
}

function shortened(text, most) {
  return text.length <= most ? text : `${text.slice(0, most - 1).trimEnd()}…`;
}

function markAt(x, y, cls = "mark") {
  return s("path", { d: MARK, class: cls, transform: `translate(${coordinate(x)} ${y})` });
}

// A reach bar fills its place: places are shares of its width, signs keep their size.
function placed(share, ...children) {
  return s("svg", { x: `${coordinate(100 * share)}%`, y: 0, overflow: "visible" }, children);
}

function reachBar(look) {
  const span = look.allowed[1] - look.allowed[0];
  const at = (value) => (span > 0 ? Math.min(Math.max((value - look.allowed[0]) / span, 0), 1) : 0.5);
  const share = (value) => `${coordinate(100 * at(value))}%`;
  const y = 14;
  const parts = [s("line", { x1: "0%", x2: "100%", y1: y, y2: y, class: "axis" })];
  for (const end of [0, 1]) parts.push(placed(end, s("path", { d: `M0 ${y - 4}v8`, class: "axis" })));
  if (look.tried) {
    const width = `${coordinate(100 * Math.max(at(look.tried[1]) - at(look.tried[0]), 0.004))}%`;
    parts.push(s("rect", { x: share(look.tried[0]), width, y: y - 2.5, height: 5, class: "s2" }));
  }
  const [low, high] = look.room;
  if (high > low) {
    parts.push(s("line", { x1: share(low), x2: share(high), y1: y, y2: y, class: "line" }));
    parts.push(placed(at(low), s("path", { d: `M4 ${y - 8}H0V${y + 8}H4`, class: "limit" })));
    parts.push(placed(at(high), s("path", { d: `M-4 ${y - 8}H0V${y + 8}H-4`, class: "limit" })));
  }
  for (const end of look.keeps || []) parts.push(placed(at(end), s("path", { d: `M0 ${y - 5}v10`, class: "thin" })));
  if (look.ghost !== null) parts.push(placed(at(look.ghost), markAt(0, y + 1, "ghost")));
  parts.push(placed(at(look.now), markAt(0, y + 1)));
  return s("svg", { class: "pic bar", width: "100%", height: 28, "aria-hidden": "true" }, parts);
}
