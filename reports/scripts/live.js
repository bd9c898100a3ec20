// The live formula: what stands on the sheet now, what a move does to it, and who draws what follows.

const MOST_STEPS_BACK = 100;
const FRAME_MS = 10;
const REST_MS = 700;

function startLive(data, place) {
  const outlook = makeOutlook(data);
  const { region } = outlook;
  const sheet = data.sheet;
  const kinds = ["found", "reference", "alternative"];
  const ranked = [...data.formulas].sort((a, b) => kinds.indexOf(a.kind) - kinds.indexOf(b.kind));
  const formulas = ranked.map((one) => ({ ...one, recipe: region.recipe(one.x, region.comboOf(one.levels)) }))
    .filter((one) => one.recipe.combo >= 0);
  const [first] = formulas;
  const page = {
    data, outlook, region, sheet, formulas,
    asked: {},
    way: region.fill >= 0 ? "fill" : "share",
    held: new Set(),
    heldGroups: new Set(),
    batch: sheet.batch_g,
  };
  let now = first.recipe;
  let past = [];
  let rooms = new Map();
  let waiting = false;
  let searching = null;

  page.recipe = () => now;
  page.grams = (level) => plain((level / sheet.total) * page.batch, decimalsOf(sheet.balance_g));
  page.isHeld = (item) => (item.column === null ? page.heldGroups.has(item.category) : page.held.has(item.column));
  page.step = (item) => region.combos[now.combo].steps[item.column];
  // A level of the sheet to its step or two decimals of a hundred; a setting to its step or four digits.
  page.write = (item, value) => {
    const step = page.step(item);
    return item.setting && !step ? figure(value, null, 4) : levelText(value, step, item.setting ? 0 : sheet.total);
  };
  page.stride = (item) => {
    const [low, high] = page.look(item).allowed;
    return page.step(item) || (high > low ? coarseStep(high - low) : 1);
  };

  function directionOf(column) {
    return region.direction(now.x, column, page.way, page.held);
  }

  function roomOf(column) {
    if (!rooms.has(column)) {
      const held = page.held.has(column);
      const [least, most] = held ? [0, 0] : region.room(now, directionOf(column));
      rooms.set(column, [now.x[column] + least, now.x[column] + most]);
    }
    return rooms.get(column);
  }

  page.look = (item) => {
    const { column } = item;
    const [low, high] = region.pieceOf(now.combo).reach[column];
    const same = now.combo === first.recipe.combo;
    const moved = now.x.some((v, j) => Math.abs(v - first.recipe.x[j]) > 1e-9) || !same;
    const material = item.category === null ? "" : now.levels[item.category];
    return {
      allowed: [Math.min(low, now.x[column]), Math.max(high, now.x[column])],
      tried: item.tried[material] || item.tried[""] || null,
      room: roomOf(column),
      now: now.x[column],
      keeps: moved ? null : first.keeps[item.name],
      ghost: moved && same ? first.recipe.x[column] : null,
    };
  };

  function change(recipe, remember) {
    if (remember) past = [...past.slice(1 - MOST_STEPS_BACK), remember];
    now = recipe;
    rooms = new Map();
    drawSoon();
  }

  page.restore = (recipe) => change(recipe, null);

  // Move one level as near to `value` as it may go now; on whole steps unless it was typed.
  page.move = (item, value, { exact = false, drag = null } = {}) => {
    const { column } = item;
    if (page.held.has(column)) {
      page.say(`${item.name} is held; let it go first.`);
      return;
    }
    const [low, high] = roomOf(column);
    let to = Math.min(Math.max(value, low), high);
    if (!exact) to = onStep(to, page.stride(item), low, high, now.x[column]);
    else if (Math.abs(to - value) > 1e-9) {
      to = shortInside(to, low, high);
      page.say(`${item.name} may not go to ${exactly(value)} now; it stands as near as it may.`);
    }
    if (to === now.x[column]) {
      drawSoon();
      return;
    }
    const d = directionOf(column);
    const next = region.moved(now, d, to - now.x[column]);
    next.x[column] = Number(to.toPrecision(14));
    if (region.fill >= 0 && region.blend.includes(column) && region.fill !== column) {
      const total = sheet.blend_total;
      next.x[region.fill] = total - region.blend.reduce((sum, j) => sum + (j === region.fill ? 0 : next.x[j]), 0);
    }
    change(next, drag === null ? now : past[past.length - 1] === drag ? null : drag);
  };

  page.choose = (category, level) => {
    const combo = region.comboOf({ ...now.levels, [category]: level });
    if (combo >= 0) change(region.carried(now, combo), now);
    else drawSoon();
  };
  page.mayChoose = (category, level) => region.comboOf({ ...now.levels, [category]: level }) >= 0;

  page.hold = (item) => {
    const [set, key] = item.column === null ? [page.heldGroups, item.category] : [page.held, item.column];
    if (set.has(key)) set.delete(key);
    else set.add(key);
    rooms = new Map();
    drawSoon();
  };

  page.ask = (response, side, value) => {
    const window = (page.asked[response.name] || response.window).slice();
    if (value !== null) window[side] = value;
    const crossed = window[0] !== null && window[1] !== null && window[0] >= window[1];
    if (value === null) page.say(`That is no number; the limit of ${response.name} stays.`);
    else if (crossed) page.say(`The lower limit of ${response.name} must lie below the upper one.`);
    else page.asked = { ...page.asked, [response.name]: window };
    if (response.window.every((v, i) => v === (page.asked[response.name] || response.window)[i])) {
      page.asked = Object.fromEntries(Object.entries(page.asked).filter(([name]) => name !== response.name));
    }
    drawSoon();
  };
  page.askAgain = () => {
    page.asked = {};
    drawSoon();
  };

  // Another formula onto the sheet; one outside what was tried is brought to the nearest place inside.
  page.take = (one) => {
    const home = region.recipe(region.combos[one.recipe.combo].anchor.slice(), one.recipe.combo);
    const inside = region.pulled(one.recipe, region.inside(home) ? home : one.recipe);
    const same = inside.x.every((v, j) => Math.abs(v - one.recipe.x[j]) <= 1e-6);
    change(same ? one.recipe : inside, now);
    page.say(same ? `${one.name} stands on the sheet.`
      : `${one.name} lies outside what was tried; the nearest formula inside stands on the sheet.`);
  };

  const status = h("p", { class: "small live-status", role: "status" });
  page.say = (text) => redraw(status, text);
  // Told once a move has come to rest, to those who cannot see the strips.
  const told = h("p", { class: "live-told", role: "status" });
  let rest = 0;
  function tellSoon(found) {
    clearTimeout(rest);
    rest = setTimeout(() => redraw(told, restWords(found, sheet)), REST_MS);
  }

  const lines = makeSheet(page);
  const readout = makeReadout(page);
  const beside = makeBeside(page);
  const tools = makeTools(page, {
    back() {
      if (past.length) {
        now = past[past.length - 1];
        past = past.slice(0, -1);
        change(now, null);
      }
    },
    isBack: () => past.length > 0,
    keep: beside.keep,
    find: () => (searching ? stop() : find()),
    isSearching: () => searching !== null,
  });
  page.refresh = () => {
    rooms = new Map();
    drawSoon();
  };

  // A search a little at a time, so that the page stays alive; a second press ends it with the best so far.
  function find() {
    const start = now;
    const before = outlook.at(start, page.asked).chance;
    const others = formulas.map((one) => one.recipe).filter((one) => region.inside(one));
    const run = bestOfTheRest(outlook, start, new Set(page.held), new Set(page.heldGroups), page.asked, others);
    let best = null;
    searching = { end: () => finish(best) };
    function finish(found) {
      searching = null;
      if (found === null) {
        drawSoon();
        return;
      }
      const after = outlook.at(found.recipe, page.asked).chance;
      if (after > before + 5e-4) change(found.recipe, start);
      else drawSoon();
      page.say(betterWords(before, after, found.starts));
    }
    function look() {
      if (searching === null) return;
      const until = performance.now() + FRAME_MS;
      while (performance.now() < until) {
        const step = run.next();
        if (step.done || step.value.done) {
          finish(step.value || best);
          return;
        }
        best = step.value;
      }
      requestAnimationFrame(look);
    }
    page.say(WORDS.looking);
    drawSoon();
    requestAnimationFrame(look);
  }

  function stop() {
    searching.end();
  }

  function drawSoon() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      draw();
    });
  }

  function draw() {
    const found = outlook.at(now, page.asked);
    lines.draw();
    readout.draw(found);
    beside.draw(found);
    tools.draw(codeOf(now, region, data.sign, sheet.blend_total));
    place.dataset.chance = found.chance === null ? "" : found.chance;
    tellSoon(found);
    place.dataset.drawn = String(Number(place.dataset.drawn || 0) + 1);
  }

  page.open = (text) => {
    const opened = recipeOf(text, region, data.sign, sheet.blend_total);
    if (typeof opened === "string") {
      page.say(opened);
      drawSoon();
      return;
    }
    page.take({ name: "The formula of the code", recipe: opened });
  };

  const intro = h("p", { class: "small" }, "Drag a jar along its bar, press the arrow keys on it, or type a level: what is "
    + "predicted follows. Brackets show how far a line may go now, within what was tried.");
  redraw(place, h("h3", {}, "The live formula"), intro, tools.top,
    h("div", { class: "live-body" }, h("div", { class: "live-sheet" }, lines.node, tools.below, status, told), readout.node),
    h("h3", {}, "Side by side"), beside.node);
  const asked = new URLSearchParams(location.hash.slice(1)).get("f");
  if (asked) page.open(asked);
  addEventListener("hashchange", () => {
    const code = new URLSearchParams(location.hash.slice(1)).get("f");
    if (code && code !== codeOf(now, region, data.sign, sheet.blend_total)) page.open(code);
  });
  draw();
  return { page, outlook };
}

// The whole step nearest to a level within its room; where no step is left, a short number just inside the room's end.
function onStep(to, step, low, high, now) {
  const on = Number((Math.round(to / step) * step).toPrecision(12));
  if (on >= low - 1e-9 && on <= high + 1e-9) return on;
  const back = Number(((on > high ? Math.floor(high / step + 1e-9) : Math.ceil(low / step - 1e-9)) * step).toPrecision(12));
  if (back >= low - 1e-9 && back <= high + 1e-9 && Math.abs(back - now) > 1e-12) return back;
  const short = shortInside(to, low, high);
  return Math.abs(short - now) <= 1e-5 * (high - low) ? now : short;
}

// A number of few digits, inside the room, that is as good as its end.
function shortInside(to, low, high) {
  if (!(high > low)) return to;
  const unit = 10 ** (Math.floor(Math.log10(high - low)) - 4);
  const short = Number(((to >= high ? Math.floor(to / unit) : to <= low ? Math.ceil(to / unit) : Math.round(to / unit)) * unit)
    .toPrecision(12));
  return short >= low && short <= high ? short : to;
}
