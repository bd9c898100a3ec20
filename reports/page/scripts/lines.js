// What a line of the sheet shows and keeps: its room and marks, whether it is held; and limits moved to see what if.

function addLines(page, first) {
  const { region, sheet } = page;
  page.grams = (level) => plain((level / sheet.total) * page.batch, decimalsOf(sheet.balance_g));
  page.isHeld = (item) => (item.column === null ? page.heldGroups.has(item.category) : page.held.has(item.column));
  page.step = (item) => region.combos[page.recipe().combo].steps[item.column];
  // A level of the sheet to its step or two decimals of a hundred; a setting to its step or four digits.
  page.write = (item, value) => {
    const step = page.step(item);
    return item.setting && !step ? figure(value, null, 4) : levelText(value, step, item.setting ? 0 : sheet.total);
  };
  // An end of a line's room, short: one decimal more than its step.
  page.writeEnd = (item, value) => {
    const step = page.step(item);
    const isOn = !step || Math.abs(value / step - Math.round(value / step)) < 1e-6;
    return isOn ? page.write(item, value) : plain(value, decimalsOf(step) + 1);
  };
  page.stride = (item) => {
    const [low, high] = page.look(item).allowed;
    return page.step(item) || (high > low ? coarseStep(high - low) : 1);
  };

  page.look = (item) => {
    const { column } = item;
    const now = page.recipe();
    const [low, high] = region.pieceOf(now.combo).reach[column];
    const same = now.combo === first.recipe.combo;
    const moved = now.x.some((v, j) => Math.abs(v - first.recipe.x[j]) > 1e-9) || !same;
    const material = item.category === null ? "" : now.levels[item.category];
    return {
      allowed: [Math.min(low, now.x[column]), Math.max(high, now.x[column])],
      tried: item.tried[material] || item.tried[""] || null,
      room: page.room(column),
      now: now.x[column],
      keeps: moved ? null : first.keeps[item.name],
      ghost: moved && same ? first.recipe.x[column] : null,
    };
  };

  page.hold = (item) => {
    const [set, key] = item.column === null ? [page.heldGroups, item.category] : [page.held, item.column];
    if (set.has(key)) set.delete(key);
    else set.add(key);
    page.refresh();
  };

  page.ask = (response, side, value) => {
    const window = (page.asked[response.name] || response.window).slice();
    if (value !== null) window[side] = value;
    const crossed = window[0] !== null && window[1] !== null && window[0] >= window[1];
    if (value === null) page.say(noLimitSentence(response.name));
    else if (crossed) page.say(crossedSentence(response.name));
    else page.asked = { ...page.asked, [response.name]: window };
    if (response.window.every((v, i) => v === (page.asked[response.name] || response.window)[i])) {
      page.asked = Object.fromEntries(Object.entries(page.asked).filter(([name]) => name !== response.name));
    }
    page.refresh();
  };
  page.askAgain = () => {
    page.asked = {};
    page.refresh();
  };
}
