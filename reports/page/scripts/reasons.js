// Why a line goes no further now, and why a material cannot be chosen now, in words.

// A rule as it is said: `Wax + Stone at most 8.5`.
function ruleWords(label, whys) {
  const said = label.replace(/\s*<=\s*/g, " at most ").replace(/\s*>=\s*/g, " at least ");
  return whys[label] ? `${said} (${whys[label]})` : said;
}

// The line that a limit is the lowest or highest level of; null where it is a rule of several lines.
function boundOf(piece, limit) {
  const columns = piece.A[limit].flatMap((a, j) => (a === 0 ? [] : [j]));
  if (columns.length !== 1) return null;
  const [column] = columns;
  return { column, highest: piece.A[limit][column] > 0, level: piece.b[limit] / piece.A[limit][column] };
}

// What stops one level there, each in words.
function stopWords(region, recipe, column, ending, whys) {
  if (!region.varies(column, recipe.combo)) return [`${exactly(recipe.x[column])} is its only level as things stand`];
  if (ending.stuck) return ["nothing that may give way is let go"];
  if (ending.tried) return ["what was tried ends there"];
  const piece = region.pieceOf(recipe.combo);
  return [...new Set(ending.limits.map((limit) => {
    const bound = boundOf(piece, limit);
    if (bound === null) return ruleWords(piece.labels[limit], whys);
    const end = bound.highest ? "highest" : "lowest";
    if (bound.column === column) return `that is its ${end} level`;
    return `${region.names[bound.column]} is then at its ${end}, ${exactly(bound.level)}`;
  }))];
}

// The line that, held, would let another one go further; null where none does.
function heldWouldHelp(region, recipe, column, side, way, held, ending) {
  const piece = region.pieceOf(recipe.combo);
  const goes = (kept) => {
    const d = region.direction(recipe, column, way, kept).map((v) => side * v);
    return region.room(recipe, d)[1];
  };
  const far = goes(held);
  for (const limit of ending.limits) {
    const bound = boundOf(piece, limit);
    if (bound === null || bound.column === column || !region.blend.includes(bound.column) || held.has(bound.column)) continue;
    if (goes(new Set([...held, bound.column])) > far + 1e-6 * Math.max(1, far)) return region.names[bound.column];
  }
  return null;
}

function holdHint(name) {
  return name === null ? "" : ` Hold ${name}, and the others give way in its place.`;
}

// Why a material or setting may not be chosen beside the others as they stand.
function barredWords(region, bars, recipe, category, level) {
  const chosen = { ...recipe.levels, [category]: level };
  const stops = bars.find((bar) => bar.levels.includes(chosen[bar.category])
    && bar.when.every(([name, levels]) => levels.includes(chosen[name]))
    && (bar.category === category || bar.when.some(([name]) => name === category)));
  if (!stops) return "nothing can be made with it beside the other choices";
  const says = stops.when.length ? `${stops.rule} when ${stops.says}` : stops.rule;
  return stops.why ? `${says}: ${stops.why}` : says;
}
