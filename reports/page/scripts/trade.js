// Checks of the trade, asked again of every recipe: those that are missed, the gravest first, in words.

// A number as findings print it, the rule of `doe.trade.check`: three digits, no exponent for ordinary sizes.
function checkFigure(value) {
  const size = Math.abs(value);
  if (value !== 0 && (size >= 1e6 || size < 1e-4)) {
    const [mantissa, exponent] = value.toExponential(2).split("e");
    return `${mantissa}e${exponent[0]}${exponent.slice(1).padStart(2, "0")}`;
  }
  return size >= 1000 ? plain(value, 0).replaceAll(THIN, "").replace(MINUS, "-") : String(Number(value.toPrecision(3)));
}

// Words of a check: {v} its value and {n} the least asked, {v:2.5} times a factor, {v:abs} its size, {v:.2f} with two
// decimals, {v?above|below} a word by its sign.
function checkWords(text, numbers) {
  return text.replace(/\{([vn])(?:\?([^{}|]*)\|([^{}|]*)|:([-+.\de]+|abs|\.2f))?\}/g, (_, key, above, below, factor) => {
    const value = numbers[key];
    if (above !== undefined) return value > 0 ? above : below;
    if (factor === ".2f") return plain(value, 2).replace(MINUS, "-");
    return checkFigure(factor === "abs" ? Math.abs(value) : value * Number(factor || 1));
  });
}

function makeTrade(trade) {
  const order = ["stop", "warn", "inform"];

  function readingOf(key, responses) {
    const told = trade.readings[key];
    const one = told && responses[told.response];
    return one && exists(one.value) ? told.factor * one.value : NaN;
  }

  function valueOf(check, recipe, responses) {
    if (check.reading) return readingOf(check.reading, responses);
    const sum = check.forms.reduce((total, form) => total + form.times * sumAt(form, recipe.x), 0);
    return check.under ? sum / readingOf(check.under, responses) : sum;
  }

  function misses(check, value, least, recipe) {
    if (Number.isNaN(value) || !check.present.every((form) => sumAt(form, recipe.x) > 0)) return false;
    const slack = 1e-9 * Math.abs(value);
    return (check.low !== null && value < check.low - slack) || (check.high !== null && value > check.high + slack)
      || (least !== null && value < least - slack);
  }

  function asked(check, recipe, responses) {
    const v = valueOf(check, recipe, responses);
    const n = check.least ? check.least.times * sumAt(check.least, recipe.x) : null;
    if (!misses(check, v, n, recipe)) return [];
    return [{ ...check, got: checkWords(check.says, { v, n }), allowed: checkWords(check.allowed, { v, n }) }];
  }

  return function missed(recipe, responses) {
    const choice = trade.choices.find((one) => trade.materials.every((name, i) => recipe.levels[name] === one.levels[i]));
    if (!choice) return [];
    const there = choice.there.levels.map((level) => (sumAt(level, recipe.x) > 0 ? "1" : "0")).join("");
    return [...choice.checks.flatMap((check) => asked(check, recipe, responses)), ...(choice.there.told[there] || [])]
      .sort((a, b) => order.indexOf(a.level) - order.indexOf(b.level));
  };
}
