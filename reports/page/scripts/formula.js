// The formula on the sheet: how far each line may go now, what a move does to it, and the way back.

const MOST_STEPS_BACK = 100;

// Adds to `page` what stands on the sheet and all that moves it; `drawSoon` is told of every change.
function addFormula(page, first, drawSoon) {
  const { region } = page;
  let now = first.recipe;
  let past = [];
  let rooms = new Map();

  function change(recipe, remember) {
    if (remember) past = [...past.slice(1 - MOST_STEPS_BACK), remember];
    now = recipe;
    rooms = new Map();
    drawSoon();
  }

  function directionOf(column) {
    return region.direction(now, column, page.way, page.held);
  }

  page.recipe = () => now;
  page.change = (recipe) => change(recipe, now);
  page.restore = (recipe) => change(recipe, null);
  page.refresh = () => change(now, null);
  page.isBack = () => past.length > 0;
  page.back = () => {
    page.say("");
    const last = past[past.length - 1];
    past = past.slice(0, -1);
    if (last) change(last, null);
  };

  // How far one level may go now, [least, most].
  page.room = (column) => {
    if (!rooms.has(column)) {
      const held = page.held.has(column);
      const [least, most] = held ? [0, 0] : region.room(now, directionOf(column));
      rooms.set(column, [now.x[column] + least, now.x[column] + most]);
    }
    return rooms.get(column);
  };

  // What gives way as one level goes to `to`, on whole weighable steps; null where no such formula is inside.
  function movedTo(column, to) {
    const d = directionOf(column);
    const next = region.moved(now, d, to - now.x[column]);
    next.x[column] = Number(to.toPrecision(14));
    const gives = region.blend.filter((j) => j !== column && j !== region.fill && d[j] !== 0);
    if (gives.length) {
      const fill = { moves: column === region.fill, held: page.held.has(region.fill) };
      const found = weighed(region, next, gives, next.x.slice(), fill);
      return found === null && region.fill < 0 ? next : found;
    }
    if (region.fill >= 0 && region.blend.includes(column) && region.fill !== column) {
      const total = page.sheet.blend_total;
      next.x[region.fill] = total - region.blend.reduce((sum, j) => sum + (j === region.fill ? 0 : next.x[j]), 0);
    }
    return next;
  }

  // Why one level goes no further up (side 1) or down (side -1), and what would help.
  function stops(column, side) {
    const ending = region.ending(now, directionOf(column).map((v) => side * v));
    const words = stopWords(region, now, column, ending, page.data.whys).join("; ");
    return { words, hint: holdHint(heldWouldHelp(region, now, column, side, page.way, page.held, ending)) };
  }
  page.stuckWords = (item) => {
    const sides = [1, -1].map((side) => stops(item.column, side));
    const [up, down] = sides.map((one) => one.words);
    return `${up === down ? up : `up: ${up}; down: ${down}`}.${sides[0].hint || sides[1].hint}`;
  };

  // Move one level to `value`: a typed one that may not be had is refused and all stays; else as near as it may go now,
  // on whole steps.
  page.move = (item, value, { typed = false, drag = null } = {}) => {
    const { column } = item;
    page.say("");
    drawSoon();
    if (page.held.has(column)) {
      page.say(heldSentence(item.name));
      return;
    }
    const [low, high] = page.room(column);
    const side = value > high + 1e-9 ? 1 : value < low - 1e-9 ? -1 : 0;
    const own = side === 0 ? null : stops(column, side);
    const end = side > 0 ? high : low;
    if (typed && side !== 0) {
      const step = page.step(item) || (item.setting ? null : 10 ** -levelPlaces(page.sheet.total));
      const last = insideEnd(end, step, low, high);
      const farthest = Math.abs(last - now.x[column]) < 1e-9 ? null : exactly(last);
      page.say(refusedSentence(item.name, exactly(value), farthest, page.write(item, now.x[column]), own));
      return;
    }
    const near = Math.min(Math.max(value, low), high);
    const to = typed ? near : onStep(near, page.stride(item), low, high, now.x[column], Boolean(page.step(item)));
    if (to === now.x[column]) {
      if (side !== 0) page.say(endSentence(item.name, side, own));
      return;
    }
    const next = movedTo(column, to);
    if (next === null || next.x.every((v, j) => Math.abs(v - now.x[j]) < 1e-12)) {
      page.say(noStepSentence(item.name, typed ? exactly(value) : page.write(item, to)));
      return;
    }
    change(next, drag === null ? now : past[past.length - 1] === drag ? null : drag);
    const isOff = typed && Math.abs(next.x[column] - to) > 1e-9;
    if (isOff) page.say(nearSentence(item.name, exactly(value), exactly(next.x[column])));
  };

  // Another material or choice; lines that are held stay, or it is refused.
  page.choose = (category, level) => {
    const name = nameOf(category);
    const combo = region.comboOf({ ...now.levels, [category]: level });
    page.say("");
    drawSoon();
    if (page.heldGroups.has(category)) page.say(heldSentence(name));
    else if (combo < 0) page.say(barredSentence(level, page.barred(category, level)));
    else {
      const carried = region.carried(now, combo);
      const columns = region.names.map((_, j) => j).filter((j) => Math.abs(carried.x[j] - now.x[j]) > 1e-9);
      const next = weighedInside(region, carried, columns, now.x);
      const kept = [...page.held].filter((j) => Math.abs(next.x[j] - now.x[j]) > 1e-9).map((j) => region.names[j]);
      if (kept.length) page.say(heldBackSentence(level, kept));
      else change(next, now);
    }
  };
  page.barred = (category, level) => barredWords(region, page.data.bars, now, category, level);
  page.mayChoose = (category, level) => region.comboOf({ ...now.levels, [category]: level }) >= 0;

  // Another formula onto the sheet; one outside what was tried is brought to the nearest weighable levels inside.
  page.take = (one) => {
    const { combo, x } = one.recipe;
    const home = region.recipe(region.combos[combo].anchor.slice(), combo);
    const pulled = region.pulled(one.recipe, region.inside(home) ? home : one.recipe);
    const same = pulled.x.every((v, j) => Math.abs(v - x[j]) <= 1e-6);
    change(same ? one.recipe : weighedInside(region, pulled, region.names.map((_, j) => j), x), now);
    page.say(takenSentence(one.name, same));
  };

  // Whether a code was one of this study; what is wrong with it is said.
  page.open = (text) => {
    const opened = recipeOf(text, region, page.data.sign, page.sheet.blend_total);
    if (typeof opened !== "string") {
      page.take({ name: WORDS.ofCode, recipe: opened });
      return true;
    }
    page.say(opened);
    drawSoon();
    return false;
  };
  page.code = (recipe = now) => codeOf(recipe, region, page.data.sign, page.sheet.blend_total);
}

// The whole step nearest to a level within its room; where no step is left, as it stands where it is weighed in steps,
// else a short number just inside the room's end.
function onStep(to, step, low, high, now, weighedInSteps) {
  const on = Number((Math.round(to / step) * step).toPrecision(12));
  if (on >= low - 1e-9 && on <= high + 1e-9) return on;
  const back = Number(((on > high ? Math.floor(high / step + 1e-9) : Math.ceil(low / step - 1e-9)) * step).toPrecision(12));
  if (back >= low - 1e-9 && back <= high + 1e-9 && Math.abs(back - now) > 1e-12) return back;
  if (weighedInSteps) return now;
  const short = shortInside(to, low, high);
  return Math.abs(short - now) <= 1e-5 * (high - low) ? now : short;
}

// The last level to its step before an end of the room, else a short number just inside it.
function insideEnd(end, step, low, high) {
  if (!step) return shortInside(end, low, high);
  const count = end >= high ? Math.floor(end / step + 1e-9) : Math.ceil(end / step - 1e-9);
  const on = Number((count * step).toPrecision(12));
  return on >= low - 1e-9 && on <= high + 1e-9 ? on : shortInside(end, low, high);
}

// A number of few digits, inside the room, that is as good as its end.
function shortInside(to, low, high) {
  if (!(high > low)) return to;
  const unit = 10 ** (Math.floor(Math.log10(high - low)) - 4);
  const short = Number(((to >= high ? Math.floor(to / unit) : to <= low ? Math.ceil(to / unit) : Math.round(to / unit)) * unit)
    .toPrecision(12));
  return short >= low && short <= high ? short : to;
}
