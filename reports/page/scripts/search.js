// The best of the rest: a local search uphill from several starts, with some lines held. Same formula, same search.

const FIRST_STRIDE = 0.4;
const LAST_STRIDE = 0.004;
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

// Yields the best recipe so far after every look; the caller decides how many looks fit into one frame.
function* bestOfTheRest(outlook, start, held, heldGroups, asked, found) {
  const { region } = outlook;
  const draw = evenNumbers(20011);
  const worth = (recipe) => {
    const seen = outlook.at(recipe, asked, false);
    const stops = outlook.missed(recipe, seen.responses).filter((one) => one.level === "stop" && !one.accepted);
    return Math.log(Math.max(seen.product, 1e-280)) - 10 * (exactMiss(outlook, seen, asked) + stops.length);
  };
  const look = (recipe) => ({ recipe, value: worth(recipe) });
  let best = look(start);
  const starts = [];
  for (const seen of startsOf(outlook, start, held, heldGroups, draw, look, found)) {
    if (seen.starts) starts.push(...seen.starts);
    yield { ...best, starts: 0 };
  }
  for (const from of starts) {
    for (const seen of climb(region, from, look, freeWays(region, from.recipe.combo, held), draw)) {
      if (seen.value > best.value + 1e-9) best = seen;
      yield { ...best, starts: starts.length };
    }
  }
  const whole = wholeSteps(region, best.recipe, held, worth);
  yield { ...look(whole), starts: starts.length, done: true };
}

// How far exact musts are missed, relative to their limits.
function exactMiss(outlook, seen, asked) {
  let miss = 0;
  for (const response of outlook.exactMusts) {
    const { value } = seen.responses[response.name];
    const [low, high] = asked[response.name] || response.window;
    if (value === null) continue;
    if (low !== null && value < low) miss += (low - value) / Math.max(Math.abs(low), 1e-9);
    if (high !== null && value > high) miss += (value - high) / Math.max(Math.abs(high), 1e-9);
  }
  return miss;
}

// Where to start: here, towards the formulas already found, and the best few of a wander over all that is open.
function* startsOf(outlook, start, held, heldGroups, draw, look, found) {
  const { region } = outlook;
  const open = region.combos.map((_, i) => i).filter((i) => {
    const levels = region.levelsOf(i);
    return region.groups.every((name) => !heldGroups.has(name) || levels[name] === start.levels[name]);
  });
  const wander = [];
  for (const combo of open) {
    const base = combo === start.combo ? start : region.carried(start, combo);
    if ([...held].some((j) => Math.abs(base.x[j] - start.x[j]) > 1e-9)) continue;
    const ways = freeWays(region, combo, held);
    const near = found.filter((one) => one.combo === combo).map((one) => look(towards(region, base, one, ways)));
    yield { starts: [look(base), ...near] };
    const anchor = region.recipe(region.combos[combo].anchor, combo);
    for (const x of region.combos[combo].made) {
      const made = towards(region, base, region.pulled(region.recipe(x, combo), anchor), ways);
      wander.push({ ...look(made), ways });
      yield {};
    }
    let at = base;
    for (let i = 0; ways.count > 0 && i < Math.max(WANDER / open.length, 12); i++) {
      at = stepAcross(region, at, ways.drawn(draw), draw);
      wander.push({ ...look(at), ways });
      yield {};
    }
  }
  wander.sort((a, b) => b.value - a.value);
  const kept = [];
  for (const one of wander) {
    const apart = kept.every((other) => other.recipe.combo !== one.recipe.combo || distance(one, other) > APART);
    if (apart && kept.length < DRAWN_STARTS) kept.push(one);
  }
  yield { starts: kept };
}

function distance(one, other) {
  const off = one.recipe.x.map((v, j) => v - other.recipe.x[j]);
  return Math.sqrt(one.ways.inner(off, off));
}

// As far towards another formula as the lines that are held and the limits allow.
function towards(region, base, other, ways) {
  let at = base;
  for (let round = 0; round < 2; round++) {
    for (const d of ways.single) {
      const off = other.x.map((v, j) => v - at.x[j]);
      const [least, most] = region.room(at, d);
      at = region.moved(at, d, Math.min(Math.max(ways.inner(off, d), least), most));
    }
  }
  return at;
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
function* climb(region, from, look, ways, draw) {
  let here = from;
  let stride = FIRST_STRIDE;
  for (let turn = 0; ways.count > 0 && stride > LAST_STRIDE; turn++) {
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

function looked(region, here, d, t, look) {
  const [least, most] = region.lineRange(here.recipe.x, d, here.recipe.combo);
  const end = Math.min(Math.max(t, least), most);
  if (Math.abs(end) < 1e-7) return null;
  const there = region.moved(here.recipe, d, end);
  return region.inside(there) ? look(there) : null;
}

// The best recipe of whole weighable steps around one; the recipe itself where none of them is inside.
function wholeSteps(region, recipe, held, worth) {
  const steps = region.combos[recipe.combo].steps;
  const columns = region.names.map((_, j) => j).filter((j) => j !== region.fill && !held.has(j) && steps[j]);
  const giver = region.fill >= 0 && !held.has(region.fill) ? region.fill : -1;
  if (!columns.length || (giver < 0 && columns.some((j) => region.blend.includes(j)))) return recipe;
  let best = null;
  for (let pick = 0; pick < 2 ** Math.min(columns.length, 9); pick++) {
    const x = recipe.x.slice();
    columns.forEach((j, i) => {
      const down = Math.floor(x[j] / steps[j] + 1e-9);
      const to = Number(((down + ((pick >> i) & 1)) * steps[j]).toPrecision(12));
      if (region.blend.includes(j)) x[giver] -= to - x[j];
      x[j] = to;
    });
    const rounded = region.recipe(x, recipe.combo);
    if (!region.inside(rounded)) continue;
    const value = worth(rounded);
    if (best === null || value > best.value) best = { recipe: rounded, value };
  }
  return best === null ? recipe : best.recipe;
}
