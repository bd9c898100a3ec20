// The interval that holds 95 % of all batches with 95 % confidence: the numbers of `optimise.statistics.tolerance`,
// in which the posterior chance that an interval about the mean holds the share is raised to the confidence.

const SHARE = 0.95;
const CONFIDENCE = 0.95;
const REACH_KNOTS = 600;
const REACH_END = 3;

function gauss(x) {
  return Math.exp(-0.5 * x * x) / Math.sqrt(2 * Math.PI);
}

// Nodes and weights of Gauss and Legendre on 0..1: roots of the Legendre polynomial, by Newton's method.
function unitNodes(n) {
  const nodes = new Float64Array(n);
  const mass = new Float64Array(n);
  for (let i = 0; i < n; i++) {
    let x = Math.cos((Math.PI * (i + 0.75)) / (n + 0.5));
    let slope = 1;
    for (let turn = 0; turn < 100; turn++) {
      let last = 1;
      let value = x;
      for (let k = 2; k <= n; k++) [last, value] = [value, ((2 * k - 1) * x * value - (k - 1) * last) / k];
      slope = (n * (x * value - last)) / (x * x - 1);
      const step = value / slope;
      x -= step;
      if (Math.abs(step) < 1e-15) break;
    }
    nodes[i] = 0.5 * (1 - x);
    mass[i] = 1 / ((1 - x * x) * slope * slope);
  }
  return { nodes, mass };
}

// The farthest that the mean may lie from the middle of an interval of half width q (in residual sds) that holds the
// share; as its ratio to root(q - least q), which is smooth: value and slope at even knots of that root.
function reachKnots() {
  const start = -ndtri((1 - SHARE) / 2);
  const ratio = new Float64Array(REACH_KNOTS);
  const slope = new Float64Array(REACH_KNOTS);
  const width = (REACH_END - 1e-3) / (REACH_KNOTS - 1);
  for (let i = 0; i < REACH_KNOTS; i++) {
    const root = 1e-3 + i * width;
    const q = start + root * root;
    let low = 0;
    let high = q;
    let d = Math.max(0.5 * root, q + ndtri(1 - SHARE));
    for (let turn = 0; turn < 100 && high - low > 1e-15 * q; turn++) {
      const over = ndtr(q - d) - ndtr(-q - d) - SHARE;
      if (over > 0) low = d;
      else high = d;
      let next = d + over / (gauss(q - d) - gauss(q + d));
      if (!(next > low && next < high)) next = 0.5 * (low + high);
      if (Math.abs(next - d) < 1e-16 * q) break;
      d = next;
    }
    ratio[i] = d / root;
    const rate = (2 * root * (gauss(q - d) + gauss(q + d))) / (gauss(q - d) - gauss(q + d));
    slope[i] = (rate - ratio[i]) / root;
  }
  return { start, ratio, slope, width };
}

let toleranceTables = null;

function tables() {
  toleranceTables = toleranceTables || { reach: reachKnots(), ...unitNodes(80) };
  return toleranceTables;
}

function reachOf(q) {
  const { start, ratio, slope, width } = tables().reach;
  if (q <= start) return 0;
  const root = Math.sqrt(q - start);
  if (root >= REACH_END) return q + ndtri(1 - SHARE);
  const at = Math.max(root - 1e-3, 0) / width;
  const i = Math.min(Math.floor(at), REACH_KNOTS - 2);
  const t = at - i;
  // Cubic through values and slopes at both ends of the piece.
  const rise = ratio[i + 1] - ratio[i];
  const first = width * slope[i] - rise;
  const last = rise - width * slope[i + 1];
  return root * (ratio[i] + t * rise + t * (1 - t) * ((1 - t) * first + t * last));
}

function heldWithin(reach, shift, spread) {
  return ndtr((reach - shift) / spread) - ndtr((-reach - shift) / spread);
}

// Posterior chance that the interval holds the share, of one component: all in units of its residual scale.
function heldBy(ratio, shift, spread, df) {
  if (!Number.isFinite(df)) return heldWithin(reachOf(ratio), shift, spread);
  const { reach, nodes, mass } = tables();
  const threshold = reach.start / Math.max(ratio, 1e-300);
  // Beyond this the scale has no mass left: Wilson and Hilferty's root of chi-square, at 1e-14.
  const top = Math.sqrt((1 - 2 / (9 * df) + 7.65 * Math.sqrt(2 / (9 * df))) ** 3);
  const length = Math.sqrt(Math.max(top - threshold, 0));
  const constant = Math.log(2) + 0.5 * df * Math.log(df / 2) - lnGamma(df / 2);
  let sum = 0;
  for (let i = 0; i < nodes.length; i++) {
    const t = length * nodes[i];
    const w = Math.min(threshold, top) + t * t;
    const density = Math.exp(constant + (df - 1) * Math.log(Math.max(w, 1e-300)) - 0.5 * df * w * w);
    if (density > 0) sum += mass[i] * heldWithin(reachOf(ratio * w), shift * w, spread) * density * 2 * t;
  }
  return sum * length;
}

// Half width about `centre` at which the chance of holding the share is the confidence.
function toleranceHalf(law, centre, weights, location, meanScale, residual) {
  const scale = residual.map((v) => Math.max(v, 1e-300));
  const shift = location.map((v, j) => Math.abs(v - centre) / scale[j]);
  const spread = meanScale.map((v, j) => Math.min(Math.max(v / scale[j], 1e-6), 1e6));
  const over = (half) => {
    let sum = -CONFIDENCE;
    for (let j = 0; j < weights.length; j++) {
      if (weights[j] > 1e-14) sum += weights[j] * heldBy(half / scale[j], shift[j], spread[j], law.df);
    }
    return sum;
  };
  let low = 0;
  let high = Math.max(...scale.map((v, j) => v * (4 * Math.hypot(1, spread[j]) + shift[j])));
  let atLow = -CONFIDENCE;
  let atHigh = over(high);
  while (atHigh < 0 && high < 1e12 * Math.max(...scale)) {
    [low, atLow] = [high, atHigh];
    high *= 2;
    atHigh = over(high);
  }
  // False position, with the end that stays weighed down (Illinois), and halving every third time.
  for (let turn = 0; turn < 200 && high - low > 1e-11 * high; turn++) {
    const secant = high - (atHigh * (high - low)) / (atHigh - atLow);
    const at = turn % 3 === 2 || !(secant > low && secant < high) ? 0.5 * (low + high) : secant;
    const value = over(at);
    if (value === 0) return at;
    if (value > 0) [high, atHigh, atLow] = [at, value, 0.5 * atLow];
    else [low, atLow, atHigh] = [at, value, 0.5 * atHigh];
  }
  return 0.5 * (low + high);
}
