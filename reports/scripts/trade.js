// Checks of the trade that are a sum of the levels, or one sum over another, held against a recipe.

function makeTrade(checks) {
  const sum = (part, x) => dot(part.weights, x) + part.constant;

  function valueOf(check, x) {
    return check.under === null ? sum(check, x) : sum(check, x) / sum(check.under, x);
  }

  // The findings of a recipe, the gravest first, in the words of the check.
  function findings(recipe) {
    const order = ["stop", "warn", "inform"];
    const out = [];
    for (const check of checks) {
      if (Object.entries(check.materials).some(([name, level]) => recipe.levels[name] !== level)) continue;
      const value = valueOf(check, recipe.x);
      const past = Math.max(
        check.low === null ? -Infinity : check.low - value, check.high === null ? -Infinity : value - check.high);
      if (!(past > 1e-9 * Math.max(Math.abs(value), 1e-300))) continue;
      const got = check.got.replace("{}", figure(check.sign * value));
      out.push({ ...check, value, got });
    }
    return out.sort((a, b) => order.indexOf(a.level) - order.indexOf(b.level));
  }

  return { findings };
}
