// A response at one recipe: a mixture of t laws, on the scale that it is modelled on.
// `weights`, `location`, `meanScale` (scale of the mean) and `residual` (of one batch about it) have one entry each.

function mixture(law, weights, location, meanScale, residual) {
  const n = weights.length;
  const batch = new Float64Array(n);
  for (let j = 0; j < n; j++) batch[j] = Math.max(Math.hypot(meanScale[j], residual[j]), 1e-300);
  const mean = Float64Array.from(meanScale, (s) => Math.max(s, 1e-300));

  function cdf(value, scale = batch) {
    let sum = 0;
    for (let j = 0; j < n; j++) sum += weights[j] * law.cdf((value - location[j]) / scale[j]);
    return sum;
  }

  function density(value, scale = batch) {
    let sum = 0;
    for (let j = 0; j < n; j++) sum += (weights[j] * law.density((value - location[j]) / scale[j])) / scale[j];
    return sum;
  }

  // The value that lies above a share of the mixture: uphill by its density, halving where that leaves the bracket.
  function quantile(share, scale = batch) {
    let middle = 0;
    let spread = 0;
    for (let j = 0; j < n; j++) middle += weights[j] * location[j];
    for (let j = 0; j < n; j++) spread += weights[j] * (scale[j] + Math.abs(location[j] - middle));
    spread = Math.max(spread, 1e-300);
    let at = middle + spread * ndtri(share);
    let low = -Infinity;
    let high = Infinity;
    for (let step = 0; step < 200; step++) {
      const over = cdf(at, scale) - share;
      if (over === 0) return at;
      if (over < 0) low = at;
      else high = at;
      let next = at - over / density(at, scale);
      if (!(next > low && next < high)) {
        if (low === -Infinity) next = at - 2 * spread * (step + 1);
        else if (high === Infinity) next = at + 2 * spread * (step + 1);
        else next = 0.5 * (low + high);
      }
      if (Math.abs(next - at) <= 1e-15 * (Math.abs(at) + spread)) return next;
      at = next;
    }
    return at;
  }

  // Chance of one batch between two ends, taken in the tail where it loses no digits.
  function between(low, high) {
    let sum = 0;
    for (let j = 0; j < n; j++) {
      const a = (low - location[j]) / batch[j];
      const b = (high - location[j]) / batch[j];
      sum += weights[j] * (a > 0 ? law.cdf(-a) - law.cdf(-b) : law.cdf(b) - law.cdf(a));
    }
    return Math.min(Math.max(sum, 0), 1);
  }

  return {
    weights, location, meanScale, residual, cdf, density, quantile, between,
    median: () => quantile(0.5),
    confidence: () => [quantile(0.025, mean), quantile(0.975, mean)],
    prediction: () => [quantile(0.025), quantile(0.975)],
    tolerance() {
      const centre = quantile(0.5, mean);
      const half = toleranceHalf(law, centre, weights, location, meanScale, residual);
      return [centre - half, centre + half];
    },
  };
}
