// Where a recipe may go: the limits of its combination of categories, and the fence of what was tried.

const LIMIT_SLACK = 1e-9;
const FENCE_STEPS = 40;

// `beside` gives further limits of a combination, { A, b } rows; the region without them is then `wider`.
function makeRegion(kept, fence, beside = null) {
  const { names, pieces, combos, categories } = kept;
  const k = names.length;
  const groups = Object.keys(categories);
  const between = makeHull(kept);
  const rowsOf = fence ? termRows(fence, kept) : null;
  const fill = kept.fill === null ? -1 : names.indexOf(kept.fill);
  const blend = kept.blend.map((name) => names.indexOf(name));

  function levelsOf(combo) {
    return Object.fromEntries(groups.map((name, i) => [name, combos[combo].levels[i]]));
  }

  function recipe(x, combo) {
    return { x, combo, levels: levelsOf(combo) };
  }

  function comboOf(levels) {
    return combos.findIndex((one) => groups.every((name, i) => one.levels[i] === levels[name]));
  }

  const narrowed = new Map();

  function pieceOf(combo) {
    const piece = pieces[combos[combo].piece];
    if (!beside) return piece;
    if (!narrowed.has(combo)) {
      const more = beside(combo);
      narrowed.set(combo, { ...piece, A: [...piece.A, ...more.A], b: [...piece.b, ...more.b] });
    }
    return narrowed.get(combo);
  }

  // Whether a level can take more than one value at a combination of categories.
  function varies(column, combo) {
    const [low, high] = pieceOf(combo).reach[column];
    return high - low > 1e-9 * Math.max(1, Math.abs(high));
  }

  function sizes(piece) {
    return piece.reach.map(([low, high]) => Math.max(Math.abs(low), Math.abs(high)));
  }

  function within(x, combo) {
    const piece = pieceOf(combo);
    const size = sizes(piece);
    const slack = (row) => LIMIT_SLACK * Math.max(row.reduce((sum, a, j) => sum + Math.abs(a) * size[j], 0), 1e-300);
    return piece.A.every((row, i) => dot(row, x) <= piece.b[i] + slack(row))
      && piece.E.every((row, i) => Math.abs(dot(row, x) - piece.e[i]) <= slack(row));
  }

  function leverage(one) {
    return fence ? quadraticForm(rowsOf(one), fence.unscaled) : 0;
  }

  function tried(one) {
    return !fence || leverage(one) <= fence.limit * (1 + 1e-9);
  }

  function inside(one) {
    return within(one.x, one.combo) && tried(one);
  }

  // How one level moves and what gives way: the fill, or all others that are free and have more than one level, in
  // proportion.
  function direction({ x, combo }, column, way, held) {
    const d = new Array(k).fill(0);
    d[column] = 1;
    if (!blend.includes(column)) return d;
    if (way === "fill" && fill >= 0 && fill !== column && !held.has(fill)) {
      d[fill] = -1;
      return d;
    }
    const others = blend.filter((j) => j !== column && !held.has(j) && varies(j, combo));
    const sum = others.reduce((total, j) => total + x[j], 0);
    // Where all others are at 0, they give way, or come in, alike.
    for (const j of others) d[j] = sum > 1e-12 ? -x[j] / sum : -1 / others.length;
    return d;
  }

  // Whether a way leads off an equality: all that could give way is held.
  function stuck(piece, d) {
    return piece.E.some((row) => {
      const size = row.reduce((sum, a, j) => sum + Math.abs(a * d[j]), 0);
      return Math.abs(dot(row, d)) > 1e-9 * size + 1e-300;
    });
  }

  // Where each limit ends a line x + t d: t by the limit's place, below 0 where it ends the way back, null where never.
  function ends(piece, x, d) {
    return piece.A.map((row, i) => {
      const rate = dot(row, d);
      const tiny = 1e-12 * row.reduce((sum, a, j) => sum + Math.abs(a * d[j]), 0) + 1e-300;
      return Math.abs(rate) > tiny ? { t: (piece.b[i] - dot(row, x)) / rate, ahead: rate > 0 } : null;
    });
  }

  // The part of a line x + t d that keeps every limit of the combination, as [least t, most t].
  function lineRange(x, d, combo) {
    const piece = pieceOf(combo);
    if (stuck(piece, d)) return [0, 0];
    let least = -Infinity;
    let most = Infinity;
    for (const end of ends(piece, x, d)) {
      if (end !== null && end.ahead) most = Math.min(most, end.t);
      else if (end !== null) least = Math.max(least, end.t);
    }
    return [Math.min(least, 0), Math.max(most, 0)];
  }

  // What ends the way d from a recipe: nothing that may give way, what was tried, or limits, by their place.
  function ending(one, d) {
    const piece = pieceOf(one.combo);
    if (stuck(piece, d)) return { stuck: true, tried: false, limits: [] };
    const [, most] = lineRange(one.x, d, one.combo);
    const end = tried(one) ? fenced(one, d, most) : most;
    if (end < most - 1e-9 * Math.max(1, most)) return { stuck: false, tried: true, limits: [] };
    const near = most + 1e-7 * Math.max(1, most);
    const limits = ends(piece, one.x, d).flatMap((at, i) => (at !== null && at.ahead && at.t <= near ? [i] : []));
    return { stuck: false, tried: false, limits };
  }

  function moved(one, d, t) {
    return recipe(one.x.map((v, j) => v + t * d[j]), one.combo);
  }

  function fenced(one, d, end) {
    if (!fence || end === 0 || !Number.isFinite(end)) return end;
    const good = (t) => leverage(moved(one, d, t)) <= fence.limit;
    let near = 0;
    for (let i = 1; i <= FENCE_STEPS; i++) {
      let far = (end * i) / FENCE_STEPS;
      if (good(far)) {
        near = far;
        continue;
      }
      for (let halving = 0; halving < 40; halving++) {
        const middle = 0.5 * (near + far);
        if (good(middle)) near = middle;
        else far = middle;
      }
      return near;
    }
    return end;
  }

  // How far one level may go now, [least, most] of the way; a recipe outside what was tried keeps to the limits alone.
  function room(one, d) {
    const [least, most] = lineRange(one.x, d, one.combo);
    return tried(one) ? [fenced(one, d, least), fenced(one, d, most)] : [least, most];
  }

  // The recipe on the way from `wanted` to `anchor` that is nearest to `wanted` and inside.
  function pulled(wanted, anchor) {
    if (inside(wanted)) return wanted;
    const at = (s) => recipe(wanted.x.map((v, j) => v + s * (anchor.x[j] - v)), anchor.combo);
    let near = 1;
    for (let i = 1; i <= FENCE_STEPS; i++) {
      const s = i / FENCE_STEPS;
      if (inside(at(s))) {
        near = s;
        break;
      }
    }
    let far = near - 1 / FENCE_STEPS;
    for (let halving = 0; halving < 40; halving++) {
      const middle = 0.5 * (near + far);
      if (inside(at(middle))) near = middle;
      else far = middle;
    }
    return at(near);
  }

  // A recipe carried over to another combination of categories: levels brought into its reach, the fill made up.
  function carried(one, combo) {
    const piece = pieceOf(combo);
    const x = one.x.map((v, j) => Math.min(Math.max(v, piece.reach[j][0]), piece.reach[j][1]));
    if (fill >= 0) {
      const total = blend.reduce((sum, j) => sum + one.x[j], 0);
      x[fill] = total - blend.reduce((sum, j) => sum + (j === fill ? 0 : x[j]), 0);
    }
    return pulled(recipe(x, combo), recipe(combos[combo].anchor.slice(), combo));
  }

  // The labels of limits that a recipe stands on.
  function standsOn(one) {
    const piece = pieceOf(one.combo);
    const reach = piece.reach.map(([low, high]) => high - low);
    return [...new Set(piece.labels.filter((label, i) => {
      const size = piece.A[i].reduce((sum, a, j) => sum + Math.abs(a) * reach[j], 0);
      return size > 0 && piece.b[i] - dot(piece.A[i], one.x) <= 1e-6 * size;
    }))];
  }

  return {
    names, combos, categories, groups, fill, blend, recipe, comboOf, pieceOf, within, tried, inside, between, leverage,
    varies, direction, lineRange, ending, room, moved, pulled, carried, standsOn, levelsOf,
  };
}
