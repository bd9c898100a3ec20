// Checks of the trade, asked again of every recipe: those that are missed, the gravest first, in words.

function makeTrade(trade) {
  const order = ["stop", "warn", "inform"];

  function valueOf(check, recipe, responses) {
    if (!check.reading) return check.forms.reduce((sum, form) => sum + form.times * sumAt(form, recipe.x), 0);
    const told = trade.readings[check.reading];
    const one = told && responses[told.response];
    return one && exists(one.value) ? told.factor * one.value : NaN;
  }

  function misses(check, value, recipe) {
    if (Number.isNaN(value) || !check.present.every((form) => sumAt(form, recipe.x) > 0)) return false;
    const slack = 1e-9 * Math.abs(value);
    const least = check.least ? check.least.times * sumAt(check.least, recipe.x) : null;
    return (check.low !== null && value < check.low - slack) || (check.high !== null && value > check.high + slack)
      || (least !== null && value < least - slack);
  }

  return function missed(recipe, responses) {
    const choice = trade.choices.find((one) => trade.materials.every((name, i) => recipe.levels[name] === one.levels[i]));
    if (!choice) return [];
    return choice.checks.map((check) => ({ ...check, value: valueOf(check, recipe, responses) }))
      .filter((check) => misses(check, check.value, recipe))
      .map((check) => ({ ...check, got: check.says.replace("{v}", figure(check.value)) }))
      .sort((a, b) => order.indexOf(a.level) - order.indexOf(b.level));
  };
}
