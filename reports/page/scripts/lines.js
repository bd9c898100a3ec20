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
  // An end of a line's room, short: one decimal more than its step, and never beyond it (side 1: its upper end).
  page.writeEnd = (item, value, side) => {
    const step = page.step(item);
    if (!step || Math.abs(value / step - Math.round(value / step)) < 1e-6) return page.write(item, value);
    const unit = 10 ** (decimalsOf(step) + 1);
    const count = side > 0 ? Math.floor(value * unit + 1e-6) : Math.ceil(value * unit - 1e-6);
    return plain(count / unit, decimalsOf(step) + 1);
  };
  // How far one press of a key goes; what takes up the rest goes by a step that what gives way can follow.
  page.stride = (item) => {
    const [low, high] = page.look(item).allowed;
    const own = page.step(item) || (high > low ? coarseStep(high - low) : 1);
    if (item.column !== region.fill) return own;
    const { combo } = page.recipe();
    const { steps } = region.combos[combo];
    const others = region.blend.filter((j) => j !== region.fill && !page.held.has(j) && region.varies(j, combo));
    const isStepped = others.length > 0 && others.every((j) => steps[j]);
    return isStepped ? Math.max(own, Math.min(...others.map((j) => steps[j]))) : own;
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

  // Holds a line or lets it go: its level, and the material that stands there.
  page.hold = (item) => {
    const isHeld = page.isHeld(item);
    for (const [set, key] of [[page.held, item.column], [page.heldGroups, item.category]]) {
      if (key !== null && isHeld) set.delete(key);
      else if (key !== null) set.add(key);
    }
    page.say("");
    page.refresh();
  };

  // A limit as it was typed; nothing, or the word for it, leaves that side open.
  page.ask = (response, side, text) => {
    const isOpen = ["", WORDS.open].includes(text.trim().toLowerCase());
    const value = isOpen ? null : typedNumber(text);
    const window = (page.asked[response.name] || response.window).slice();
    window[side] = value;
    const crossed = window[0] !== null && window[1] !== null && window[0] >= window[1];
    const ends = naturalEnds(page.data.models.responses[response.name]);
    const isBeyond = value !== null && ends && (value <= ends[0] || (ends[1] !== null && value >= ends[1]));
    if (value === null && !isOpen) page.say(noLimitSentence(response.name));
    else if (isBeyond) page.say(beyondSentence(response.name, ends));
    else if (crossed) page.say(crossedSentence(response.name));
    else {
      page.say("");
      page.asked = { ...page.asked, [response.name]: window };
    }
    if (response.window.every((v, i) => v === (page.asked[response.name] || response.window)[i])) {
      page.asked = Object.fromEntries(Object.entries(page.asked).filter(([name]) => name !== response.name));
    }
    page.refresh();
  };
  page.askAgain = () => {
    page.asked = {};
    page.say("");
    page.refresh();
  };
}

// Between which values a response can only lie, by the scale that it is modelled on; null where that tells nothing.
function naturalEnds(kept) {
  const scale = kept && kept.scale;
  if (!scale) return null;
  return { log: [0, null], logit: [0, scale.whole] }[scale.name] || null;
}
