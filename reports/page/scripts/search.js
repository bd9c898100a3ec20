// The best of the rest: a local search uphill from several starts, with some lines held. Same formula, same search.

const FIRST_STRIDE = 0.4;
const ROUGH_STRIDE = 0.03;
const SHORT_STRIDE = 0.1;
const LAST_STRIDE = 0.004;
const FINALISTS = 2;
const CLOSE = 0.1;
const MOST_ROUNDED = 8;
const WANDER = 120;
const DRAWN_STARTS = 5;
const APART = 0.5;

// A small generator of even numbers in (0, 1), so that a search can be repeated: Lehmer (1949), multiplier 48271.
function evenNumbers(seed) {
  let state = seed;
  return () => {
    state = (state * 48271) % 2147483647;
    return state / 2147483647;
  };
}

// Directions that keep every equality and leave held columns alone, in units of each column's reach.
function freeWays(region, combo, held) {
  const piece = region.pieceOf(combo);
  const half = piece.reach.map(([low, high]) => (high - low) / 2);
  const free = region.names.map((_, j) => j).filter((j) => !held.has(j) && half[j] > 0);
  const kept = [];
  for (const row of piece.E) {
    let v = free.map((j) => row[j] * half[j]);
    for (const u of kept) {
      const along = dot(u, v);
      v = v.map((a, i) => a - along * u[i]);
    }
    const size = Math.sqrt(dot(v, v));
    if (size > 1e-9) kept.push(v.map((a) => a / size));
  }
  function way(vector) {
    let v = vector;
    for (const u of kept) {
      const along = dot(u, v);
      v = v.map((a, i) => a - along * u[i]);
    }
    const size = Math.sqrt(dot(v, v));
    if (size < 1e-9) return null;
    const d = new Array(region.names.length).fill(0);
    free.forEach((j, i) => { d[j] = (v[i] / size) * half[j]; });
    return d;
  }
  const count = free.length - kept.length;
  const unit = (i) => free.map((_, j) => (i === j ? 1 : 0));
  const drawn = (draw) => way(free.map(() => ndtri(draw())));
  // In reach units; levels that cannot move count for nothing.
  const inner = (a, b) => a.reduce((sum, v, j) => sum + (half[j] > 0 ? (v * b[j]) / half[j] ** 2 : 0), 0);
  function basis(draw) {
    const out = [];
    while (out.length < count) {
      let d = drawn(draw);
      for (const u of out) {
        const along = inner(d, u);
        d = d.map((v, j) => v - along * u[j]);
      }
      const size = Math.sqrt(inner(d, d));
      if (size > 1e-3) out.push(d.map((v) => v / size));
    }
    return out;
  }
  return { count, inner, drawn, basis, single: free.map((_, i) => way(unit(i))).filter((d) => d !== null) };
}

// Yields the best recipe so far after every look; the caller decides how many looks fit into one frame. Far starts are
// climbed by the heaviest parts of each model, the best of them then to the end by the whole of it.
function* bestOfTheRest(outlook, start, held, heldGroups, asked, found) {
  const ground = outlook.ground(asked);
  const draw = evenNumbers(20011);
  const lookBy = (rough) => (recipe) => {
    const seen = outlook.at(recipe, asked, false, rough);
    const miss = outlook.exactMiss(recipe, asked);
    const stops = outlook.missed(recipe, seen.responses).filter((one) => one.level === "stop" && !one.accepted);
    const value = miss > 0 ? -2000 * (1 + miss) : Math.log(Math.max(seen.product, 1e-280));
    return { recipe, value: value - 1000 * stops.length };
  };
  const [rough, whole] = [lookBy(true), lookBy(false)];
  let best = whole(start);
  const starts = [];
  for (const seen of startsOf(outlook, start, held, heldGroups, draw, rough, found)) {
    if (seen.starts) starts.push(...seen.starts);
    yield { ...best, starts: 0 };
  }
  const told = (one) => ({ ...one, starts: starts.length });
  const tops = [];
  for (const from of starts) {
    const ways = freeWays(ground, from.recipe.combo, held);
    let last = from;
    for (last of climb(ground, from, rough, ways, draw, FIRST_STRIDE, ROUGH_STRIDE)) yield told(best);
    tops.push({ ...last, ways });
  }
  tops.sort((a, b) => b.value - a.value);
  for (const top of apart(tops, CLOSE).slice(0, FINALISTS)) {
    for (const seen of climb(ground, whole(top.recipe), whole, top.ways, draw, SHORT_STRIDE, LAST_STRIDE)) {
      if (seen.value > best.value + 1e-9) best = seen;
      yield told(best);
    }
  }
  let last = whole(start);
  for (last of wholeSteps(ground, best, held, whole)) yield told(best);
  yield { ...told(last), done: true };
}

// Where to start: here, towards the formulas already found, and the best few, apart from each other, of the trials, of the
// farthest that each line may go now, and of a wander over all that is open.
function* startsOf(outlook, start, held, heldGroups, draw, look, found) {
  const { region } = outlook;
  const open = region.combos.map((_, i) => i).filter((i) => {
    const levels = region.levelsOf(i);
    return region.groups.every((name) => !heldGroups.has(name) || levels[name] === start.levels[name]);
  });
  const seen = [];
  for (const combo of open) {
    const base = combo === start.combo ? start : region.carried(start, combo);
    if ([...held].some((j) => Math.abs(base.x[j] - start.x[j]) > 1e-9)) continue;
    const ways = freeWays(region, combo, held);
    const near = found.filter((one) => one.combo === combo).map((one) => look(towards(region, base, one, ways)));
    yield { starts: [look(base), ...near].map((one) => ({ ...one, ways })) };
    for (const x of region.combos[combo].made) {
      seen.push({ ...look(towards(region, base, region.recipe(x, combo), ways)), ways });
      yield {};
    }
    for (const d of ways.single) {
      for (const t of region.room(base, d)) seen.push({ ...look(region.moved(base, d, t)), ways });
      yield {};
    }
    let at = base;
    for (let i = 0; ways.count > 0 && i < Math.max(WANDER / open.length, 12); i++) {
      at = stepAcross(region, at, ways.drawn(draw), draw);
      seen.push({ ...look(at), ways });
      yield {};
    }
  }
  seen.sort((a, b) => b.value - a.value);
  yield { starts: apart(seen, APART).slice(0, DRAWN_STARTS) };
}

// The first of each lot that lie closer than `least` to one another.
function apart(looks, least) {
  const kept = [];
  for (const one of looks) {
    if (kept.every((other) => other.recipe.combo !== one.recipe.combo || distance(one, other) > least)) kept.push(one);
  }
  return kept;
}

function distance(one, other) {
  const off = one.recipe.x.map((v, j) => v - other.recipe.x[j]);
  return Math.sqrt(one.ways.inner(off, off));
}

// As far towards another formula as the lines that are held, the limits and what was tried allow.
function towards(region, base, other, ways) {
  let at = base;
  for (let round = 0; round < 2; round++) {
    for (const d of ways.single) {
      const off = other.x.map((v, j) => v - at.x[j]);
      const [least, most] = region.lineRange(at.x, d, at.combo);
      at = region.moved(at, d, Math.min(Math.max(ways.inner(off, d), least), most));
    }
  }
  return region.inside(base) ? region.pulled(at, base) : at;
}

// A random step across the region along one way, shortened until it stays within what was tried.
function stepAcross(region, at, d, draw) {
  let [least, most] = region.lineRange(at.x, d, at.combo);
  for (let tries = 0; tries < 8; tries++) {
    const t = least + draw() * (most - least);
    const there = region.moved(at, d, t);
    if (region.inside(there)) return there;
    if (t > 0) most = t;
    else least = t;
  }
  return at;
}

// Uphill by looking around along a turned set of ways, and along the slope that these looks show.
function* climb(region, from, look, ways, draw, first, last) {
  let here = from;
  let stride = first;
  for (let turn = 0; ways.count > 0 && stride > last; turn++) {
    const before = here.value;
    const around = turn % 2 ? ways.basis(draw) : ways.single;
    let slope = here.recipe.x.map(() => 0);
    for (const d of around) {
      for (const sign of [1, -1]) {
        const seen = looked(region, here, d, sign * stride, look);
        if (seen === null) continue;
        yield here;
        const rise = (sign * (seen.value - here.value)) / stride;
        slope = slope.map((v, j) => v + rise * d[j]);
        if (seen.value > here.value + 1e-9) {
          here = seen;
          break;
        }
      }
    }
    const steep = Math.sqrt(ways.inner(slope, slope));
    for (let t = stride; steep > 1e-9; t *= 2) {
      const seen = looked(region, here, slope.map((v) => v / steep), t, look);
      yield here;
      if (seen === null || seen.value <= here.value + 1e-9) break;
      here = seen;
    }
    stride = here.value > before + 1e-4 ? stride : stride / 2;
  }
  yield here;
}

// A recipe that misses an exact must may move as far as the other limits allow, until it is met.
function looked(region, here, d, t, look) {
  const ground = region.within(here.recipe.x, here.recipe.combo) ? region : region.wider;
  const [least, most] = ground.lineRange(here.recipe.x, d, here.recipe.combo);
  const end = Math.min(Math.max(t, least), most);
  if (Math.abs(end) < 1e-7) return null;
  const there = ground.moved(here.recipe, d, end);
  return ground.inside(there) ? look(there) : null;
}

// The best recipe of whole weighable steps: of those around one, then step by step from there, one or two lines at once;
// the recipe itself where no such recipe is inside.
function* wholeSteps(region, from, held, look) {
  const { recipe } = from;
  const steps = region.combos[recipe.combo].steps;
  const columns = region.names.map((_, j) => j).filter((j) => j !== region.fill && !held.has(j) && steps[j]);
  const giver = region.fill >= 0 && !held.has(region.fill) ? region.fill : -1;
  if (!columns.length || (giver < 0 && columns.some((j) => region.blend.includes(j)))) {
    yield from;
    return;
  }
  // Counts of steps, one a column, as a recipe that was looked at; null where it is not inside.
  const at = (counts) => {
    const x = recipe.x.slice();
    columns.forEach((j, i) => {
      const to = Number((counts[i] * steps[j]).toPrecision(12));
      if (region.blend.includes(j)) x[giver] -= to - x[j];
      x[j] = to;
    });
    const rounded = region.recipe(x, recipe.combo);
    return region.inside(rounded) ? { ...look(rounded), counts } : null;
  };
  const better = (one, other) => (other !== null && (one === null || other.value > one.value + 1e-9) ? other : one);
  const down = columns.map((j) => Math.floor(recipe.x[j] / steps[j] + 1e-9));
  let best = null;
  for (let pick = 0; pick < 2 ** Math.min(columns.length, MOST_ROUNDED); pick++) {
    best = better(best, at(down.map((count, i) => count + ((pick >> i) & 1))));
    yield best || from;
  }
  for (let before = null; best !== null && best !== before;) {
    before = best;
    for (const move of stepMoves(columns.length)) {
      best = better(best, at(before.counts.map((count, i) => count + (move[i] || 0))));
      yield best;
    }
  }
  yield best || from;
}

// One step up or down of one line, or of two at once; each as steps by line.
function stepMoves(n) {
  const moves = [];
  for (let i = 0; i < n; i++) {
    for (const a of [1, -1]) {
      moves.push({ [i]: a });
      for (let j = i + 1; j < n; j++) for (const b of [1, -1]) moves.push({ [i]: a, [j]: b });
    }
  }
  return moves;
}
