// A formula as a short code that can be read, mailed and typed back: the study's sign, then what varies, in order.
// Levels are plain numbers, categories letters: `kq7d_0.75_3.9_1_2_8_b`. The level that takes up the rest is left out.

const CODE_PLACES = 6;

function codeOf(recipe, region, sign, blendTotal) {
  const short = codeWith(recipe, region, sign, (v) => Number(v.toFixed(CODE_PLACES)));
  const back = recipeOf(short, region, sign, blendTotal);
  // Where short levels would lead out of what was tried, all digits stand in the code.
  if (!region.inside(recipe) || region.inside(back)) return short;
  return codeWith(recipe, region, sign, (v) => Number(v.toPrecision(15)));
}

function codeWith(recipe, region, sign, write) {
  const levels = region.names.map((_, j) => (j === region.fill ? null : String(write(recipe.x[j]))));
  const letters = region.groups.map((name) => {
    return String.fromCharCode(97 + region.categories[name].indexOf(recipe.levels[name]));
  });
  return [sign, ...levels.filter((text) => text !== null), ...letters].join("_");
}

// The recipe of a code; a string says what is wrong with it instead.
function recipeOf(text, region, sign, blendTotal) {
  const parts = text.trim().replace(/^#?(f=)?/, "").split("_");
  const columns = region.names.map((_, j) => j).filter((j) => j !== region.fill);
  if (parts[0] !== sign) return "This code belongs to another study, or to other limits of this one.";
  if (parts.length !== 1 + columns.length + region.groups.length) return "This code has too few or too many parts.";
  const x = new Array(region.names.length).fill(0);
  for (const [i, j] of columns.entries()) {
    const value = typedNumber(parts[1 + i]);
    if (value === null) return `${parts[1 + i]} in this code is no level.`;
    x[j] = value;
  }
  const levels = {};
  for (const [i, name] of region.groups.entries()) {
    const letter = parts[1 + columns.length + i];
    levels[name] = region.categories[name][letter.charCodeAt(0) - 97];
    if (letter.length !== 1 || levels[name] === undefined) return `${letter} in this code is no choice of ${name}.`;
  }
  if (region.fill >= 0) x[region.fill] = blendTotal - region.blend.reduce((sum, j) => sum + x[j], 0);
  const combo = region.comboOf(levels);
  return combo < 0 ? "Nothing may be made at the choices of this code." : region.recipe(x, combo);
}
