// Numbers as people read them: the rules of `reports.numbers`, digit for digit.

const THIN = "\u202f";
const MINUS = "\u2212";
const NOTHING = "not available";
const CURRENCY_SIGNS = { EUR: "€", GBP: "£", USD: "$" };

function exists(value) {
  return typeof value === "number" && Number.isFinite(value);
}

// Whole digits of a number rounded to `places` decimals (negative: tens, hundreds), halves to the even digit.
function roundedDigits(value, places) {
  const [mantissa, exponent] = Math.abs(value).toExponential().split("e");
  const digits = mantissa.replace(".", "");
  const keep = Number(exponent) + 1 + places;
  if (keep < 0) return 0n;
  const padded = digits.padEnd(keep + 1, "0");
  const rest = padded.slice(keep);
  let whole = BigInt(padded.slice(0, keep) || "0");
  const half = rest[0] === "5" && !/[1-9]/.test(rest.slice(1));
  if (rest[0] > "5" || (rest[0] === "5" && !half) || (half && whole % 2n === 1n)) whole += 1n;
  return whole;
}

function plain(value, places) {
  const whole = roundedDigits(value, places);
  let digits = whole.toString();
  if (places < 0) digits = whole === 0n ? "0" : digits + "0".repeat(-places);
  const decimals = Math.max(places, 0);
  digits = digits.padStart(decimals + 1, "0");
  let head = digits.slice(0, digits.length - decimals);
  const rest = digits.slice(digits.length - decimals);
  if (head.length > 4) head = head.replace(/\B(?=(\d{3})+$)/g, THIN);
  const sign = value < 0 && whole !== 0n ? MINUS : "";
  return sign + head + (rest ? `.${rest}` : "");
}

function exponentOf(value) {
  return Number(Math.abs(value).toExponential().split("e")[1]);
}

// Decimals that a number with a standard error deserves (Particle Data Group's rule, as in `reports.numbers`).
function placesFor(error) {
  let exponent = exponentOf(error);
  let leading = Number(roundedDigits(error / 10 ** (exponent - 2), 0));
  if (leading >= 1000) {
    leading = 100;
    exponent += 1;
  }
  return leading <= 354 ? 1 - exponent : -exponent;
}

function trimmed(text) {
  return text.includes(".") ? text.replace(/0+$/, "").replace(/\.$/, "") : text;
}

// So many significant digits, with an exponent where a number is far from 1.
function precise(value, digits) {
  const size = Math.abs(value);
  if (size !== 0 && !(1e-4 <= size && size < 10 ** Math.max(digits, 6))) {
    const [mantissa, exponent] = value.toExponential(digits - 1).split("e");
    return `${trimmed(mantissa).replace("-", MINUS)}e${Number(exponent)}`;
  }
  return trimmed(plain(value, Math.max(digits - 1 - (size ? exponentOf(value) : 0), 0)));
}

function figure(value, error = null, digits = 3) {
  if (!exists(value)) return NOTHING;
  const size = Math.abs(value);
  const far = size !== 0 && !(1e-7 <= size && size < 1e12); // outside of these an exponent counts the zeros
  if (exists(error) && error > 0) {
    let places = placesFor(error);
    if (value !== 0) places = Math.max(places, -exponentOf(value));
    if (far) return precise(value, Math.max(places + exponentOf(value) + 1, 1));
    return plain(value, Math.min(places, 12));
  }
  if (value === 0) return "0";
  if (far) return precise(value, digits);
  return trimmed(plain(value, Math.min(digits - 1 - exponentOf(value), 12)));
}

function exactly(value) {
  if (!exists(value)) return NOTHING;
  const size = Math.abs(value);
  if (size !== 0 && (size < 1e-4 || Number(size.toPrecision(12)) >= 1e12)) {
    const [mantissa, exponent] = value.toExponential(11).split("e");
    const power = String(Math.abs(Number(exponent))).padStart(2, "0");
    return `${trimmed(mantissa)}e${exponent[0]}${power}`.replaceAll("-", MINUS);
  }
  const text = String(Number(value.toPrecision(12)));
  return plain(Number(text), (text.split(".")[1] || "").length);
}

function decimalsOf(step) {
  return (String(Number(step.toPrecision(10))).split(".")[1] || "").length;
}

// A level to its weighable step; one that lies between steps has up to four decimals more, as it needs.
function levelPlaces(total) {
  return total > 0 ? Math.max(4 - Math.ceil(Math.log10(total)), 0) : 2;
}

function levelText(value, step, total) {
  const places = levelPlaces(total);
  if (!step) return plain(value, places);
  const own = decimalsOf(step);
  const needed = [0, 1, 2, 3].find((more) => {
    return Math.abs(Number(value.toFixed(own + more)) - value) < 1e-9 * Math.max(1, Math.abs(value));
  });
  return plain(value, own + (needed === undefined ? 4 : needed));
}

function withUnit(text, unit) {
  if (!unit || unit === "1" || text === NOTHING) return text;
  return /^\d/.test(unit) ? `${text}${THIN}×${THIN}${unit}` : `${text}${THIN}${unit}`;
}

function intervalText(low, high, unit) {
  const error = (high - low) / 4 || null;
  return `${figure(low, error)} to ${withUnit(figure(high, error), unit)}`;
}

function limitsText(low, high, unit) {
  if (low === null && high === null) return "no limit";
  if (low === null) return `at most ${withUnit(exactly(high), unit)}`;
  if (high === null) return `at least ${withUnit(exactly(low), unit)}`;
  return `${exactly(low)} to ${withUnit(exactly(high), unit)}`;
}

function percent(share, digits = 0) {
  if (!exists(share)) return NOTHING;
  const near = 0.5 * 10 ** -(digits + 2);
  const edge = 10 ** -digits;
  if (1 - near <= share && share < 1) return `over ${plain(100 - edge, digits)}${THIN}%`;
  if (0 < share && share <= near) return `under ${plain(edge, digits)}${THIN}%`;
  return `${plain(100 * share, digits)}${THIN}%`;
}

// A chance of what is measured: never sure, however far the computed one is rounded.
function likely(chance, digits = 0) {
  return exists(chance) ? percent(Math.min(Math.max(chance, 1e-9), 1 - 1e-9), digits) : NOTHING;
}

function chanceBetween([low, high]) {
  const ends = [low, high].map((end) => likely(end));
  return ends[0] === ends[1] ? `all of it ${ends[0]}` : `${ends[0]} to ${ends[1]}`;
}

// A number with as many digits as it takes to tell it from each of the limits that it does not equal.
function toldApart(value, limits, write, most = 12) {
  const others = limits.filter((limit) => exists(limit) && Math.abs(value - limit) > 1e-9 * Math.max(1, Math.abs(limit)));
  for (let more = 0; more < most; more++) {
    const text = write(value, more);
    if (others.every((limit) => text !== write(limit, more))) return text;
  }
  return write(value, most);
}

// An exact number to four digits, more where it lies that near to a limit.
function figureBeside(value, limits) {
  return exists(value) ? toldApart(value, limits, (v, more) => figure(v, null, 4 + more), 8) : NOTHING;
}

function money(value, currency, limit = null) {
  if (!exists(value)) return NOTHING;
  const places = Math.abs(value) < 100 ? 2 : 0;
  const text = toldApart(value, [limit], (v, more) => plain(v, places + more), 8);
  const sign = CURRENCY_SIGNS[currency];
  return sign ? sign + text : withUnit(text, currency);
}

function batchesInWords(chance, what) {
  if (!exists(chance)) return NOTHING;
  if (chance >= 0.995) return `more than 99 of 100 ${what}`;
  if (chance <= 0.005) return `fewer than 1 of 100 ${what}`;
  const hundredths = Number(roundedDigits(100 * chance, 0));
  return hundredths % 10 ? `about ${hundredths} of 100 ${what}` : `about ${hundredths / 10} of 10 ${what}`;
}

// What someone typed as a number: a comma counts as the decimal sign, spaces between thousands are let go.
function typedNumber(text) {
  const bare = text.replace(/[\s\u202f']/g, "").replace(MINUS, "-").replace(",", ".");
  return /^[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$/i.test(bare) ? Number(bare) : null;
}
