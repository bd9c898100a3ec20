// The normal and t laws. Each function names its source; tests hold them against a reference library.

// erfcx(x) / t over u = 2t - 1 with t = 4 / (4 + x): Chebyshev coefficients, fitted for this page to 1e-15.
const ERFCX = [
  0.40802446954913146, 0.37635823567636745, 0.1475803545722236, 0.04957131793002751, 0.014227107557117053,
  0.0034434932627174183, 0.00068225418328363141, 0.00010340451975740904, 9.7285459518457815e-6,
  -1.1988713769777549e-7, -2.1747767724205753e-7, -3.0291768016518661e-8, 9.4799126144195094e-10,
  8.6334070183019165e-10, 6.8720857407550705e-11, -1.703550290085933e-11, -3.392950336337267e-12,
  2.6076065153756777e-13, 1.2000608537508771e-13, -3.2193264436346999e-15,
];

function erfcOfPositive(x) {
  const t = 4 / (4 + x);
  const u = 2 * t - 1;
  let b1 = 0;
  let b2 = 0;
  for (let i = ERFCX.length - 1; i > 0; i--) {
    const b0 = 2 * u * b1 - b2 + ERFCX[i];
    b2 = b1;
    b1 = b0;
  }
  return t * (u * b1 - b2 + ERFCX[0]) * Math.exp(-x * x);
}

// Chance that a standard normal lies below z.
function ndtr(z) {
  if (z === Infinity) return 1;
  if (z === -Infinity) return 0;
  const tail = 0.5 * erfcOfPositive(Math.abs(z) * Math.SQRT1_2);
  return z > 0 ? 1 - tail : tail;
}

function ratio(x, above, below) {
  let a = 0;
  let b = 0;
  for (let i = 7; i >= 0; i--) {
    a = a * x + above[i];
    b = b * x + below[i];
  }
  return a / b;
}

// Standard normal quantile: Wichura (1988), Applied Statistics 37, 477-484, algorithm AS 241, its rational functions.
const AS241 = [
  [3.387132872796366608, 133.14166789178437745, 1971.5909503065514427, 13731.693765509461125,
    45921.953931549871457, 67265.770927008700853, 33430.575583588128105, 2509.0809287301226727],
  [1, 42.313330701600911252, 687.1870074920579083, 5394.1960214247511077, 21213.794301586595867,
    39307.89580009271061, 28729.085735721942674, 5226.495278852545925],
  [1.42343711074968357734, 4.6303378461565452959, 5.7694972214606914055, 3.64784832476320460504,
    1.27045825245236838258, 0.24178072517745061177, 0.0227238449892691845833, 7.7454501427834140764e-4],
  [1, 2.05319162663775882187, 1.6763848301838038494, 0.68976733498510000455, 0.14810397642748007459,
    0.0151986665636164571966, 5.475938084995344946e-4, 1.05075007164441684324e-9],
  [6.6579046435011037772, 5.4637849111641143699, 1.7848265399172913358, 0.29656057182850489123,
    0.026532189526576123093, 0.0012426609473880784386, 2.71155556874348757815e-5, 2.01033439929228813265e-7],
  [1, 0.59983220655588793769, 0.13692988092273580531, 0.0148753612908506148525, 7.868691311456132591e-4,
    1.8463183175100546818e-5, 1.4215117583164458887e-7, 2.04426310338993978564e-15],
];

function ndtri(p) {
  if (p <= 0) return -Infinity;
  if (p >= 1) return Infinity;
  const q = p - 0.5;
  if (Math.abs(q) <= 0.425) return q * ratio(0.180625 - q * q, AS241[0], AS241[1]);
  const r = Math.sqrt(-Math.log(q < 0 ? p : 1 - p));
  const z = r <= 5 ? ratio(r - 1.6, AS241[2], AS241[3]) : ratio(r - 5, AS241[4], AS241[5]);
  return q < 0 ? -z : z;
}

// Log of the gamma function, x > 0: recurrence up to 12, then Stirling's series (Abramowitz & Stegun 6.1.41).
function lnGamma(x) {
  let shift = 0;
  while (x < 12) shift -= Math.log(x++);
  const y = 1 / (x * x);
  const series = (1 / 12 - y * (1 / 360 - y * (1 / 1260 - y * (1 / 1680 - y * (1 / 1188 - (y * 691) / 360360))))) / x;
  return shift + (x - 0.5) * Math.log(x) - x + 0.5 * Math.log(2 * Math.PI) + series;
}

// Incomplete beta ratio by its continued fraction (Abramowitz & Stegun 26.5.8), evaluated forwards.
function betaFraction(a, b, x) {
  const tiny = 1e-300;
  let c = 1;
  let d = 1 - ((a + b) * x) / (a + 1);
  d = 1 / (Math.abs(d) < tiny ? tiny : d);
  let value = d;
  for (let m = 1; m < 500; m++) {
    const even = (m * (b - m) * x) / ((a + 2 * m - 1) * (a + 2 * m));
    d = 1 / (1 + even * d);
    c = 1 + even / c;
    value *= d * c;
    const odd = (-(a + m) * (a + b + m) * x) / ((a + 2 * m) * (a + 2 * m + 1));
    d = 1 / (1 + odd * d);
    c = 1 + odd / c;
    value *= d * c;
    if (Math.abs(d * c - 1) < 1e-16) break;
  }
  return value;
}

// A t law of `df` degrees of freedom (Infinity: normal), standard: `cdf` and `density` of a value.
function tLaw(df) {
  if (!Number.isFinite(df)) {
    return { df, cdf: ndtr, density: (z) => Math.exp(-0.5 * z * z) / Math.sqrt(2 * Math.PI) };
  }
  const a = df / 2;
  const lnBeta = lnGamma(a) + lnGamma(0.5) - lnGamma(a + 0.5);
  const height = Math.exp(-lnBeta) / Math.sqrt(df);
  function tail(t) {
    // Half of I(df / (df + t^2); df/2, 1/2): Abramowitz & Stegun 26.5.27.
    const square = t * t;
    const x = df / (df + square);
    const front = Math.exp(-a * Math.log1p(square / df) + 0.5 * Math.log(square / (df + square)) - lnBeta);
    if (x < (a + 1) / (a + 2.5)) return (0.5 * front * betaFraction(a, 0.5, x)) / a;
    return 0.5 - front * betaFraction(0.5, a, 1 - x);
  }
  return {
    df,
    cdf(t) {
      if (t === 0) return 0.5;
      const square = t * t;
      const below = square === Infinity ? 0 : tail(t);
      return t > 0 ? 1 - below : below;
    },
    density: (t) => height * Math.exp(-(a + 0.5) * Math.log1p((t * t) / df)),
  };
}
