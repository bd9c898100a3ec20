// What predicts each response at a recipe: the averaged posterior, or one least-squares model.
// A recipe is { x, levels }: numbers in the order of the region's names, and the level of each category by name.

function dot(a, b) {
  let sum = 0;
  for (let i = 0; i < a.length; i++) sum += a[i] * b[i];
  return sum;
}

// Inverse of a symmetric positive matrix (n x n in one array), by its Cholesky factor.
function inverseOf(K, n) {
  const L = new Float64Array(n * n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j <= i; j++) {
      let sum = K[i * n + j];
      for (let k = 0; k < j; k++) sum -= L[i * n + k] * L[j * n + k];
      L[i * n + j] = i === j ? Math.sqrt(sum) : sum / L[j * n + j];
    }
  }
  const M = new Float64Array(n * n);
  for (let j = 0; j < n; j++) {
    for (let i = j; i < n; i++) {
      let sum = i === j ? 1 : 0;
      for (let k = j; k < i; k++) sum -= L[i * n + k] * M[k * n + j];
      M[i * n + j] = sum / L[i * n + i];
    }
  }
  const out = new Float64Array(n * n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j <= i; j++) {
      let sum = 0;
      for (let k = i; k < n; k++) sum += M[k * n + i] * M[k * n + j];
      out[i * n + j] = out[j * n + i] = sum;
    }
  }
  return out;
}

// Matern kernel of order 5/2 and length 1 (Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, eq. 4.17).
function bell(distance) {
  const a = Math.sqrt(5) * distance;
  return (1 + a + (a * a) / 3) * Math.exp(-a);
}

// What the posterior holds two places together by: their inner product, the bell of their distance, and the mean of the
// bells of their distances along each axis.
function between(a, b, axes) {
  const apart = a.map((value, i) => value - b[i]);
  const curves = axes.reduce((sum, axis) => sum + bell(Math.abs(dot(axis, apart))), 0) / axes.length;
  return { inner: dot(a, b), bell: bell(Math.sqrt(dot(apart, apart))), curves };
}

function kernel(part, pair) {
  const { linear, quadratic, smooth, curves } = part;
  return linear * linear * pair.inner + quadratic * quadratic * pair.inner * pair.inner
    + smooth * smooth * pair.bell + curves * curves * pair.curves;
}

// P = K^-1 - G (X'G)^-1 G' with G = K^-1 X, as `projections` of the posterior defines it.
function projection(kept, part, pairs) {
  const n = kept.z.length;
  const K = new Float64Array(n * n);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) {
      let value = kernel(part, pairs[i][j]);
      if (i === j) value += kept.noise[i];
      if (kept.plots.length && kept.plots[i] === kept.plots[j]) value += part.plot * part.plot;
      if (kept.blocks.length && kept.blocks[i] === kept.blocks[j]) value += part.block * part.block;
      K[i * n + j] = value;
    }
  }
  const P = inverseOf(K, n);
  const b = kept.fixed[0].length;
  const G = [];
  for (let i = 0; i < n; i++) {
    G.push(new Float64Array(b));
    for (let j = 0; j < n; j++) for (let c = 0; c < b; c++) G[i][c] += P[i * n + j] * kept.fixed[j][c];
  }
  const XG = new Float64Array(b * b);
  for (let c = 0; c < b; c++) {
    for (let d = 0; d < b; d++) for (let i = 0; i < n; i++) XG[c * b + d] += kept.fixed[i][c] * G[i][d];
  }
  const S = inverseOf(XG, b);
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) {
      let taken = 0;
      for (let c = 0; c < b; c++) for (let d = 0; d < b; d++) taken += G[i][c] * S[c * b + d] * G[j][d];
      P[i * n + j] -= taken;
    }
  }
  return P;
}

function coordinatesOf(kept, region, recipe) {
  const columns = kept.columns.map((name) => region.names.indexOf(name));
  const z = kept.constant.slice();
  columns.forEach((column, i) => kept.slopes[i].forEach((slope, j) => { z[j] += recipe.x[column] * slope; }));
  for (const [category, levels] of Object.entries(kept.categories)) {
    const here = recipe.levels[category];
    const share = levels.includes(here) ? 1 / levels.length : 0;
    for (const level of levels) z.push(Math.SQRT2 * ((level === here ? 1 : 0) - share));
  }
  return z;
}

// Parts that a rough look goes by, the heaviest first.
const ROUGH_PARTS = 8;

function posteriorPredictor(kept, coordinates, region) {
  const n = kept.z.length;
  const law = tLaw(kept.df);
  const pairs = kept.z.map((a) => kept.z.map((b) => between(a, b, kept.axes)));
  const held = new Map(kept.components.map((part) => [part, projection(kept, part, pairs)]));
  const k = new Float64Array(n);
  function those(parts) {
    const sum = parts.reduce((total, part) => total + part.weight, 0);
    const residual = Float64Array.from(parts, (part) => Math.sqrt(part.s2) * kept.size * Math.hypot(1, part.plot, part.block));
    return { parts, weights: Float64Array.from(parts, (part) => part.weight / sum), residual };
  }
  const whole = { ...those(kept.components), weights: Float64Array.from(kept.components, (part) => part.weight) };
  const heaviest = those([...kept.components].sort((a, b) => b.weight - a.weight).slice(0, ROUGH_PARTS));
  return (recipe, rough = false) => {
    const { parts, weights, residual } = rough ? heaviest : whole;
    const z = coordinatesOf(coordinates, region, recipe);
    const own = dot(z, z);
    const near = kept.z.map((other) => between(z, other, kept.axes));
    const location = new Float64Array(parts.length);
    const meanScale = new Float64Array(parts.length);
    parts.forEach((part, c) => {
      const P = held.get(part);
      let centre = part.intercept;
      for (let i = 0; i < n; i++) {
        k[i] = kernel(part, near[i]);
        centre += k[i] * part.alpha[i];
      }
      let variance = part.linear ** 2 * own + part.quadratic ** 2 * own * own + part.smooth ** 2 + part.curves ** 2 + part.floor;
      for (let i = 0; i < n; i++) {
        let pushed = 2 * part.lean[i];
        for (let j = 0, row = i * n; j < n; j++) pushed += P[row + j] * k[j];
        variance -= pushed * k[i];
      }
      location[c] = kept.centre + kept.size * centre;
      meanScale[c] = Math.sqrt(part.s2) * kept.size * Math.sqrt(Math.max(variance, 0));
    });
    return mixture(law, weights, location, meanScale, residual);
  };
}

// Values of model terms at a recipe: products of recoded levels, of one difference at most, and of contrasts.
function termRows(kept, region) {
  const { shift, scale } = kept.coding;
  const at = region.names.map((name) => [shift[name], scale[name]]);
  const column = (name) => region.names.indexOf(name);
  const terms = kept.terms.map((term) => ({
    factors: Object.entries(term.powers).flatMap(([name, power]) =>
      name in kept.contrasts ? [] : Array(power).fill(column(name))),
    contrasts: Object.keys(term.powers).filter((name) => name in kept.contrasts).map((name) => kept.contrasts[name]),
    difference: term.difference ? term.difference.map(column) : null,
  }));
  return (recipe) => {
    const coded = recipe.x.map((value, j) => (value - at[j][0]) / at[j][1]);
    return terms.map((term) => {
      let value = 1;
      for (const j of term.factors) value *= coded[j];
      if (term.difference) value *= coded[term.difference[0]] - coded[term.difference[1]];
      for (const one of term.contrasts) value *= one.at[recipe.levels[one.category]];
      return value;
    });
  };
}

function quadraticForm(rows, matrix) {
  let sum = 0;
  for (let i = 0; i < rows.length; i++) sum += rows[i] * dot(matrix[i], rows);
  return sum;
}

function leastSquaresPredictor(kept, region) {
  const rowsOf = termRows(kept, region);
  const law = tLaw(typeof kept.df === "number" ? kept.df : Infinity);
  const weights = Float64Array.of(1);
  const residual = Float64Array.of(kept.residual_sd);
  return (recipe) => {
    const rows = rowsOf(recipe);
    const variance = Math.max(quadraticForm(rows, kept.covariance), 0);
    return mixture(law, weights, Float64Array.of(dot(rows, kept.coefficients)), Float64Array.of(Math.sqrt(variance)),
      residual);
  };
}

// What predicts a response, made when first asked for; null where nothing can.
function makePredictor(kept, region) {
  if (kept.posterior) return posteriorPredictor(kept.posterior, kept.coordinates, region);
  if (Array.isArray(kept.models)) return leastSquaresPredictor(kept.models[0], region);
  return null;
}
