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
    return region.direction(now.x, column, page.way, page.held);
  }

  page.recipe = () => now;
  page.change = (recipe) => change(recipe, now);
  page.restore = (recipe) => change(recipe, null);
  page.refresh = () => change(now, null);
  page.isBack = () => past.length > 0;
  page.back = () => {
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

  // Move one level as near to `value` as it may go now; on whole steps unless it was typed.
  page.move = (item, value, { exact = false, drag = null } = {}) => {
    const { column } = item;
    if (page.held.has(column)) {
      page.say(heldSentence(item.name));
      return;
    }
    const [low, high] = page.room(column);
    let to = Math.min(Math.max(value, low), high);
    if (!exact) to = onStep(to, page.stride(item), low, high, now.x[column]);
    else if (Math.abs(to - value) > 1e-9) {
      to = shortInside(to, low, high);
      page.say(stoppedSentence(item.name, value));
    }
    if (to === now.x[column]) {
      drawSoon();
      return;
    }
    const d = directionOf(column);
    const next = region.moved(now, d, to - now.x[column]);
    next.x[column] = Number(to.toPrecision(14));
    if (region.fill >= 0 && region.blend.includes(column) && region.fill !== column) {
      const total = page.sheet.blend_total;
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

  // Another formula onto the sheet; one outside what was tried is brought to the nearest place inside.
  page.take = (one) => {
    const home = region.recipe(region.combos[one.recipe.combo].anchor.slice(), one.recipe.combo);
    const inside = region.pulled(one.recipe, region.inside(home) ? home : one.recipe);
    const same = inside.x.every((v, j) => Math.abs(v - one.recipe.x[j]) <= 1e-6);
    change(same ? one.recipe : inside, now);
    page.say(takenSentence(one.name, same));
  };

  page.open = (text) => {
    const opened = recipeOf(text, region, page.data.sign, page.sheet.blend_total);
    if (typeof opened !== "string") {
      page.take({ name: WORDS.ofCode, recipe: opened });
      return;
    }
    page.say(opened);
    drawSoon();
  };
  page.code = () => codeOf(now, region, page.data.sign, page.sheet.blend_total);
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
