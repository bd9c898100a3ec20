// Whether a recipe is a mean of recipes as made with the same categories, as `optimise.models.hull` says it: weights that
// are nowhere negative and add up to 1, by least squares (Lawson & Hanson 1974, algorithm NNLS).

const HULL_NEAR = 0.01; // of how far the recipes made are apart in each column, as in Python

function makeHull({ combos, made }) {
  const scaled = (x) => x.map((value, j) => (value - made.middle[j]) / made.spread[j]);
  const kept = new Map();

  function columnsOf(combo) {
    if (!kept.has(combo)) kept.set(combo, combos[combo].made.map((x) => [...scaled(x), 1]));
    return kept.get(combo);
  }

  return ({ x, combo }) => {
    const columns = columnsOf(combo);
    const point = scaled(x);
    const beyond = point.some((value, j) => {
      const every = columns.map((one) => one[j]);
      return value < Math.min(...every) - HULL_NEAR || value > Math.max(...every) + HULL_NEAR;
    });
    return columns.length > 0 && !beyond && leftOver(columns, [...point, 1]) <= HULL_NEAR;
  };
}

// How far the nearest sum of columns, with no negative weight, stays from a target.
function leftOver(columns, target) {
  const weights = columns.map(() => 0);
  const used = [];
  const left = () => target.map((value, i) => value - used.reduce((sum, j) => sum + weights[j] * columns[j][i], 0));
  for (let turn = 0; turn < 3 * columns.length; turn++) {
    const rest = left();
    let best = -1;
    let most = 1e-10;
    columns.forEach((column, j) => {
      const gain = used.includes(j) ? 0 : dot(column, rest);
      if (gain > most) [best, most] = [j, gain];
    });
    if (best < 0) break;
    used.push(best);
    while (used.length) {
      const sought = leastSquares(used.map((j) => columns[j]), target);
      if (sought.every((value) => value > 0)) {
        used.forEach((j, i) => { weights[j] = sought[i]; });
        break;
      }
      // As far towards the sought weights as none turns negative; those that reach 0 go out.
      const shares = used.map((j, i) => (sought[i] > 0 ? 1 : weights[j] / (weights[j] - sought[i])));
      const share = Math.min(...shares.map((one) => (one === one ? one : 0)));
      used.forEach((j, i) => { weights[j] += share * (sought[i] - weights[j]); });
      for (const j of used.filter((one) => !(weights[one] > 1e-14))) {
        weights[j] = 0;
        used.splice(used.indexOf(j), 1);
      }
    }
  }
  return Math.hypot(...left());
}

// Weights of a few columns that come nearest to a target, by the normal equations.
function leastSquares(columns, target) {
  const n = columns.length;
  const rows = columns.map((one) => [...columns.map((other) => dot(one, other)), dot(one, target)]);
  for (let k = 0; k < n; k++) {
    const pivot = Math.max(rows[k][k], 1e-14);
    for (let i = k + 1; i < n; i++) {
      const factor = rows[i][k] / pivot;
      for (let j = k; j <= n; j++) rows[i][j] -= factor * rows[k][j];
    }
  }
  const weights = new Array(n).fill(0);
  for (let k = n - 1; k >= 0; k--) {
    const sum = weights.reduce((total, weight, j) => total + (j > k ? rows[k][j] * weight : 0), 0);
    weights[k] = (rows[k][n] - sum) / Math.max(rows[k][k], 1e-14);
  }
  return weights;
}
