// The batch sheet made editable: one line an ingredient or setting, with its level, its grams and its reach bar.

function coarseStep(span) {
  const rough = span / 100;
  const power = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].find((m) => m * power >= rough * (1 - 1e-9)) * power;
}

const LONG_NAME = 22;

// `page` gives: region, sheet, recipe(), rooms (per column), step(column), found, held, heldGroups, and what to do.
function makeSheet(page) {
  const { region, sheet } = page;
  const rows = [];
  const body = h("div", { class: "live-lines" });
  let phase = null;
  const items = [...sheet.lines, ...sheet.settings.map((one) => ({ ...one, setting: true, phase: "\u0000" }))];
  if (sheet.lines.length) body.append(headings());
  for (const item of items) {
    if (item.phase !== phase && (item.setting || item.phase)) {
      body.append(h("h4", {}, item.setting ? "Process" : `Phase ${item.phase}`));
    }
    phase = item.phase;
    const row = makeRow(page, item, rows.length);
    rows.push(row);
    body.append(row.node);
  }

  function headings() {
    const words = ["Ingredient", sheet.unit, "g", "Reach", "May go now"];
    return h("div", { class: "live-line live-heads", "aria-hidden": "true" }, words.map((text, i) => {
      return h("span", { class: i === 1 || i === 2 ? "n" : null }, text);
    }));
  }

  return { node: body, draw: () => rows.forEach((row) => row.draw()), columns: () => region.names };
}

function makeRow(page, item, number) {
  const { sheet } = page;
  const id = `live-line-${number}`;
  const name = h("span", { class: "live-name", id }, bdi(item.name));
  const node = h("div", { class: "live-line", role: "group", "aria-labelledby": id }, name);
  const draws = [];
  if (item.name.length > LONG_NAME) node.classList.add("live-long");
  if (item.column === null && item.category === null) return fixedRow(page, item, node);
  if (item.role === "fill") name.append(" ", h("span", { class: "small" }, WORDS.rest));
  if (item.category !== null) draws.push(addChoice(page, item, item.setting ? node : name));
  if (item.column !== null) draws.push(...addLevel(page, item, node, id));
  const hold = h("button", { type: "button", class: "live-hold" });
  hold.addEventListener("click", () => page.hold(item));
  node.append(hold);
  draws.push(() => {
    const held = page.isHeld(item);
    hold.setAttribute("aria-pressed", String(held));
    hold.setAttribute("aria-label", `${held ? WORDS.held : WORDS.hold} ${item.name}`);
    redraw(hold, held ? WORDS.held : WORDS.hold);
  });
  if (item.setting) node.classList.add("live-setting");
  if (item.role === "fill") node.classList.add("live-fill");
  if (item.column === null) node.classList.add("live-chosen");
  return { node, draw: () => draws.forEach((draw) => draw()), sheet };
}

function fixedRow(page, item, node) {
  const { sheet } = page;
  const grams = h("span", { class: "n live-grams" });
  node.append(h("span", { class: "n" }, levelText(item.level, null, sheet.total)), grams,
    h("span", { class: "small live-fixed" }, WORDS.fixed));
  return { node, draw: () => redraw(grams, page.grams(item.level)) };
}

function addChoice(page, item, place) {
  const select = h("select", { "aria-label": item.setting ? item.name : `${item.name}: which material` });
  for (const level of page.region.categories[item.category]) select.append(h("option", { value: level }, level));
  select.addEventListener("change", () => page.choose(item.category, select.value));
  if (item.setting) place.append(h("span", { class: "live-select" }, select));
  else place.append(" ", select);
  return () => {
    for (const option of select.options) {
      option.disabled = !page.mayChoose(item.category, option.value);
      const why = option.disabled ? page.barred(item.category, option.value) : "";
      option.title = why;
      option.textContent = why ? `${option.value}, not now: ${why}` : option.value;
    }
    select.value = page.recipe().levels[item.category];
  };
}

function addLevel(page, item, node, id) {
  const { sheet } = page;
  const unit = item.setting ? item.unit : sheet.unit;
  const input = h("input", {
    class: "n live-level", type: "text", inputmode: "decimal", autocomplete: "off", spellcheck: "false",
    "aria-label": unit ? `${item.name}, ${unit}` : item.name,
  });
  const grams = h("span", { class: "n live-grams" });
  const bar = h("div", { class: "live-reach", role: "slider", tabindex: 0, "aria-labelledby": id });
  const room = h("span", { class: "small live-room" });
  node.append(input, item.setting ? h("span", { class: "live-grams small" }, item.unit) : grams, bar, room);
  input.addEventListener("change", () => {
    const value = typedNumber(input.value);
    if (value !== null) page.move(item, value, { typed: true });
    else {
      page.say(`${input.value} is no number; ${item.name} stays as it was.`);
      page.refresh();
    }
  });
  input.addEventListener("keydown", (event) => {
    if (event.key === "Enter") input.select();
  });
  followKeys(page, item, bar);
  followPointer(page, item, bar);
  return [() => {
    const x = page.recipe().x[item.column];
    const look = page.look(item);
    const write = (v) => page.write(item, v);
    const text = write(x);
    const between = page.isHeld(item) ? WORDS.held : roomWords(look.room, (v, side) => page.writeEnd(item, v, side));
    const why = between === WORDS.nowhere ? page.stuckWords(item) : "";
    input.value = text;
    if (!item.setting) redraw(grams, page.grams(x));
    redraw(bar, reachBar(look));
    redraw(room, between);
    room.title = firstUpper(why);
    bar.setAttribute("aria-valuemin", look.room[0]);
    bar.setAttribute("aria-valuemax", look.room[1]);
    bar.setAttribute("aria-valuenow", x);
    const weight = item.setting ? "" : `, ${page.grams(x)} g`;
    bar.setAttribute("aria-valuetext", `${withUnit(text, unit)}${weight}; ${spoken(between, why)}`);
    bar.setAttribute("aria-disabled", String(page.isHeld(item)));
  }];
}

// How far a line may go, as it is said of its bar.
function spoken(between, why) {
  if (between === WORDS.held) return WORDS.held;
  return why ? `${WORDS.nowhere}: ${why}` : `may now go ${between}`;
}

function followKeys(page, item, bar) {
  const moves = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 10, PageDown: -10 };
  bar.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const x = page.recipe().x[item.column];
    if (event.key in moves) page.move(item, x + moves[event.key] * page.stride(item));
    else if (event.key === "Home") page.move(item, page.look(item).room[0]);
    else if (event.key === "End") page.move(item, page.look(item).room[1]);
    else return;
    event.preventDefault();
  });
}

// Dragged by mouse, pen or finger; a finger that turns out to scroll the page puts the level back.
function followPointer(page, item, bar) {
  let before = null;
  const to = (event) => {
    const box = bar.getBoundingClientRect();
    const pad = parseFloat(getComputedStyle(bar).paddingLeft);
    const share = (event.clientX - box.left - pad) / Math.max(box.width - 2 * pad, 1);
    const [low, high] = page.look(item).allowed;
    page.move(item, low + share * (high - low), { drag: before });
  };
  bar.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    before = page.recipe();
    bar.setPointerCapture(event.pointerId);
    bar.focus({ preventScroll: true });
    if (event.pointerType !== "touch") to(event);
    event.preventDefault();
  });
  bar.addEventListener("pointermove", (event) => {
    if (before !== null) to(event);
  });
  bar.addEventListener("pointerup", (event) => {
    if (before !== null) to(event);
    before = null;
  });
  bar.addEventListener("pointercancel", () => {
    if (before !== null) page.restore(before);
    before = null;
  });
}
