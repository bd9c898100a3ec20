// Levels that can be weighed: whole steps of the lines that gave way, with the level that takes up the rest as residue.

const MOST_WEIGHED = 10;

// The recipe inside the region nearest to `wanted` whose `columns` stand on whole steps next to those of `recipe`; null
// where there is none. What takes up the rest gives way, unless it `moves` or is `held`: then a line without a step does;
// without one, where it moves, one more line goes by as many of its steps as bring it nearer to where it is wanted.
function weighed(region, recipe, columns, wanted, { moves = false, held = false } = {}) {
  const { x, combo } = recipe;
  const steps = region.combos[combo].steps;
  const reach = region.pieceOf(combo).reach.map(([low, high]) => (high > low ? high - low : 1));
  const stepped = columns.filter((j) => steps[j] && j !== region.fill);
  const smooth = columns.filter((j) => !steps[j] && j !== region.fill && region.blend.includes(j));
  const loose = smooth.length ? smooth.reduce((a, b) => (x[a] >= x[b] ? a : b)) : -1;
  const giver = held ? loose : moves && loose >= 0 ? loose : region.fill;
  const down = stepped.map((j) => Math.floor(x[j] / steps[j] + 1e-9));
  const count = Math.min(stepped.length, MOST_WEIGHED);
  const far = (one) => {
    const own = stepped.reduce((sum, j) => sum + ((one[j] - wanted[j]) / reach[j]) ** 2, 0);
    return own + (moves ? 1e6 * ((one[region.fill] - wanted[region.fill]) / reach[region.fill]) ** 2 : 0);
  };
  // One outside what was tried keeps to the limits alone.
  const fits = region.tried(recipe) ? region.inside : (one) => region.within(one.x, one.combo);
  const total = region.blend.reduce((sum, j) => sum + x[j], 0);
  let best = null;
  const look = (levels) => {
    if (giver >= 0) levels[giver] = total - region.blend.reduce((sum, j) => sum + (j === giver ? 0 : levels[j]), 0);
    const one = { ...region.recipe(levels, combo), far: far(levels) };
    if ((best === null || one.far < best.far) && fits(one)) best = one;
  };
  for (let pick = 0; pick < 2 ** count; pick++) {
    const levels = x.slice();
    stepped.forEach((j, i) => {
      const up = i < count ? (pick >> i) & 1 : Number(x[j] / steps[j] - down[i] > 0.5);
      levels[j] = Number(((down[i] + up) * steps[j]).toPrecision(12));
    });
    look(levels);
  }
  if (best !== null && moves && giver === region.fill) {
    for (const j of stepped) {
      const levels = best.x.slice();
      const by = Math.round((levels[region.fill] - wanted[region.fill]) / steps[j]);
      levels[j] = Number((levels[j] + by * steps[j]).toPrecision(12));
      look(levels);
    }
  }
  return best && region.recipe(best.x, combo);
}

// The same on the way from a recipe to one well inside, as early as there is one; the recipe itself where there is none.
function weighedInside(region, recipe, columns, wanted) {
  const anchor = region.combos[recipe.combo].anchor;
  for (let i = 0; i <= 20; i++) {
    const isFree = (j) => columns.includes(j) || j === region.fill;
    const between = recipe.x.map((v, j) => (isFree(j) ? v + (i / 20) * (anchor[j] - v) : v));
    const found = weighed(region, region.recipe(between, recipe.combo), columns, wanted);
    if (found !== null) return found;
  }
  return recipe;
}
