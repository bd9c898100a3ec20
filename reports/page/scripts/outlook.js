// Everything that is said of one recipe: each response, the chance of all, the cost, where it stands.

function makeOutlook(data) {
  const region = makeRegion(data.region, data.models.fence);
  const chances = makeChances(data.chance, data.models.residual_correlation);
  const missed = makeTrade(data.trade);
  const made = new Map();
  const exactMusts = data.responses.filter((one) => data.chance.exact_musts.includes(one.name));

  function predictor(name) {
    if (!made.has(name)) made.set(name, makePredictor(data.models.responses[name], region));
    return made.get(name);
  }

  function sumOf(exact, { levels }) {
    return exact.sums.find((one) => exact.materials.every((name, i) => levels[name] === one.levels[i]));
  }

  function exactAt(exact, recipe) {
    return exact.unavailable ? null : sumAt(sumOf(exact, recipe), recipe.x);
  }

  // The window asked for on the model's scale: that of the study, or of `asked` limits where they were moved.
  function endsOf(response, asked) {
    const kept = data.models.responses[response.name];
    const scale = makeScale(kept.scale);
    if (!asked || response.kind === "pass") {
      const [low, high] = kept.window;
      return [low === null ? -Infinity : low, high === null ? Infinity : high];
    }
    return windowOn(scale, kept.scale, asked[0], asked[1]);
  }

  function meets(value, [low, high]) {
    const slack = 1e-9 * Math.max(1, Math.abs(value));
    return (low === null || value >= low - slack) && (high === null || value <= high + slack);
  }

  // What a search keeps exactly: exact musts, and what checks of the trade stop.
  function kept(asked) {
    const musts = exactMusts.map(({ name, window }) => ({ exact: data.exact[name], window: asked[name] || window }));
    return [...musts, ...data.stops.map((one) => ({ exact: one, window: one.window }))].filter(({ exact }) => !exact.unavailable);
  }

  // How far what is kept exactly is missed, relative to its limits.
  function exactMiss(recipe, asked) {
    let miss = 0;
    for (const { exact, window: [low, high] } of kept(asked)) {
      const value = exactAt(exact, recipe);
      if (low !== null && value < low) miss += (low - value) / Math.max(Math.abs(low), 1e-9);
      if (high !== null && value > high) miss += (value - high) / Math.max(Math.abs(high), 1e-9);
    }
    return miss;
  }

  // The region less what misses them: their limits as limits on levels, where they are sums or ratios of sums.
  function ground(asked) {
    const rows = (combo) => {
      const levels = region.levelsOf(combo);
      const out = { A: [], b: [] };
      for (const { exact, window } of kept(asked)) {
        const sum = sumOf(exact, { levels });
        if (!sum || sum.bend) continue;
        window.forEach((end, side) => {
          if (end === null) return;
          const sign = side ? 1 : -1;
          const under = sum.under || { weights: sum.weights.map(() => 0), constant: 1 };
          out.A.push(sum.weights.map((w, j) => sign * (w - end * under.weights[j])));
          out.b.push(sign * (end * under.constant - sum.constant));
        });
      }
      return out;
    };
    return { ...makeRegion(data.region, data.models.fence, rows), wider: region };
  }

  function exactly(response, recipe, asked) {
    const value = exactAt(data.exact[response.name], recipe);
    if (value === null) return { value, chance: null, why: data.exact[response.name].unavailable };
    return { value, chance: response.limited ? Number(meets(value, asked || response.window)) : null };
  }

  // `asked` holds moved limits by response name; `full` adds intervals, else only chances, `rough` ones by the heaviest
  // parts of each model (for searches).
  function at(recipe, asked = {}, full = true, rough = false) {
    const laws = new Map();
    const responses = {};
    for (const response of data.responses) {
      if (response.exact) {
        responses[response.name] = exactly(response, recipe, asked[response.name]);
        continue;
      }
      const predict = predictor(response.name);
      if (!predict) {
        const why = data.models.responses[response.name].models.unavailable;
        responses[response.name] = { value: null, chance: null, why };
        continue;
      }
      const needed = full || chances.musts.includes(response.name);
      if (!needed) continue;
      const law = predict(recipe, rough);
      laws.set(response.name, law);
      const ends = endsOf(response, asked[response.name]);
      const limited = response.limited || response.kind === "pass";
      const found = { law, ends, chance: limited && ends ? law.between(ends[0], ends[1]) : null };
      if (response.kind === "pass" && response.aim === "watch") found.chance = null;
      responses[response.name] = full ? { ...found, ...inUnits(response, law) } : found;
    }
    const findings = full ? missed(recipe, responses) : [];
    return { responses, ...all(recipe, laws, responses, full), cost: exactAt(data.cost, recipe), findings, inHull: () => region.between(recipe) };
  }

  function inUnits(response, law) {
    const scale = makeScale(data.models.responses[response.name].scale);
    const back = (pair) => pair.map((v) => scale.back(v));
    const binary = response.kind === "pass";
    return {
      scale,
      value: scale.back(law.median()),
      prediction: binary ? null : back(law.prediction()),
      confidence: () => back(law.confidence()),
      tolerance: () => (binary ? null : back(law.tolerance())),
    };
  }

  function all(recipe, laws, responses, full) {
    const exactMet = data.chance.exact_musts.every((name) => responses[name].chance !== 0);
    const blind = data.chance.exact_musts.find((name) => responses[name].chance === null);
    const missing = chances.musts.find((name) => !laws.has(name));
    if (missing || blind) {
      const name = missing || blind;
      return { chance: null, error: null, interval: null, why: `${name}: ${responses[name].why}` };
    }
    if (!chances.musts.length) {
      const any = data.chance.exact_musts.length > 0;
      const value = any ? Number(exactMet) : null;
      const why = any ? "" : "no response is a must with limits";
      return { chance: value, error: 0, interval: any ? [value, value] : null, why };
    }
    const own = chances.musts.map((name) => laws.get(name));
    const ends = chances.musts.map((name) => responses[name].ends);
    if (!full) {
      const each = chances.musts.map((name) => responses[name].chance);
      return { product: each.reduce((a, b) => a * b, 1), exactMet };
    }
    const kept = exactMet ? 1 : 0;
    const found = chances.joint(own, ends);
    return {
      chance: found.chance * kept,
      error: found.error * kept,
      interval: chances.interval(own, ends, found.chance).map((v) => v * kept),
      why: "",
    };
  }

  return { region, at, ground, chances, missed, exactMiss, hasGoal: chances.musts.length > 0 };
}
