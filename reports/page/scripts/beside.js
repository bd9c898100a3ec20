// Up to three formulas kept beside the one on the sheet, line by line.

const MOST_KEPT = 3;

function makeBeside(page) {
  const node = h("div", { class: "live-beside" });
  let kept = page.formulas.slice(0, MOST_KEPT).map((one) => ({ name: one.name, recipe: one.recipe }));
  let count = 0;

  const same = (one, other) => one.combo === other.combo && one.x.every((v, j) => Math.abs(v - other.x[j]) <= 1e-9);

  // One more beside the sheet; what stands there already is not set twice, and which one gives way is said.
  function set(name, recipe) {
    const twin = kept.find((one) => same(one.recipe, recipe));
    if (twin) {
      page.say(`This formula stands beside already, as ${twin.name}.`);
      return false;
    }
    const [gone] = kept.slice(MOST_KEPT - 1);
    kept = [...kept.slice(0, MOST_KEPT - 1), { name, recipe }];
    page.refresh();
    const place = gone ? ` in place of ${gone.name}: ${MOST_KEPT} stand there at most` : "";
    const isLost = gone && !page.formulas.some((one) => one.recipe === gone.recipe);
    const back = isLost ? `. The code of ${gone.name} is ${page.code(gone.recipe)}` : "";
    page.say(`${name} is set beside${place}${back}.`);
    return true;
  }

  function keep() {
    if (set(`Yours ${count + 1}`, page.recipe())) count += 1;
  }

  function head(one, i) {
    const take = h("button", { type: "button", "aria-label": `take up ${one.name}` }, "take up");
    take.addEventListener("click", () => page.take(one));
    const drop = h("button", { type: "button", "aria-label": `drop ${one.name}` }, "drop");
    drop.addEventListener("click", () => {
      kept = kept.filter((_, j) => j !== i);
      page.say("");
      page.refresh();
    });
    return h("th", { scope: "col", class: "n" }, bdi(one.name), h("br"), take, " ", drop);
  }

  function draw(now) {
    const all = [{ recipe: page.recipe(), found: now }, ...kept.map((one) => {
      if (one.asked !== page.asked) Object.assign(one, { asked: page.asked, found: page.outlook.at(one.recipe, page.asked) });
      return one;
    })];
    const line = (name, write, unit = "") => h("tr", {}, h("th", { scope: "row" }, bdi(name), unitBeside(name, unit)),
      all.map((one) => h("td", { class: "n" }, write(one))));
    const rows = [line(Object.keys(page.asked).length ? `Chance of all, ${WORDS.whatIf}` : "Chance of all", ({ found }) => likely(found.chance))];
    const { currency, ceiling } = page.sheet;
    if (now.cost !== null) rows.push(line("Cost per kg", ({ found }) => money(found.cost, currency, ceiling)));
    for (const response of page.data.responses) {
      if (response.exact && page.data.exact[response.name].unavailable) continue;
      rows.push(line(response.name, ({ found }) => {
        const one = found.responses[response.name];
        return predictedWords(page, response, one);
      }, response.unit));
    }
    rows.push(...levelRows(page, line));
    rows.push(line("Where", ({ recipe }) => whereWord(page.region, recipe)));
    const others = page.formulas.filter((one) => !kept.some((shown) => shown.recipe === one.recipe));
    const more = others.map((one) => {
      const add = h("button", { type: "button", "aria-label": `set ${one.name} beside` }, bdi(one.name));
      add.addEventListener("click", () => set(one.name, one.recipe));
      return [" ", add];
    });
    const missed = kept.flatMap((one) => missedBatch(page, one));
    const notes = [WORDS.beside, ...missed].map((text) => h("p", { class: "small live-beside-note" }, text));
    const also = more.length ? h("p", { class: "small" }, "To set beside as well:", more) : null;
    const table = { class: "scroll", tabindex: 0, role: "region", "aria-label": "Formulas side by side" };
    redraw(node, notes, also, h("div", table,
      h("table", {}, h("thead", {}, h("tr", {}, h("td", {}), h("th", { scope: "col", class: "n" }, "On the sheet"),
        kept.map(head))), h("tbody", {}, rows))));
  }

  return { node, draw, keep };
}

function levelRows(page, line) {
  const { sheet } = page;
  return [...sheet.lines, ...sheet.settings].flatMap((item) => {
    const rows = [];
    const unit = "unit" in item ? item.unit : sheet.unit;
    if (item.category !== null) rows.push(line(item.name, ({ recipe }) => recipe.levels[item.category]));
    if (item.column !== null) {
      const setting = "unit" in item;
      rows.push(line(item.name, ({ recipe }) => page.write({ ...item, setting }, recipe.x[item.column]), unit));
    }
    return rows;
  });
}

// Where the model misses a product that was measured by more than one new batch is likely to: a sentence each.
function missedBatch(page, { name, recipe, found }) {
  const { measured } = page.formulas.find((one) => one.recipe === recipe) || {};
  return page.data.responses.flatMap((response) => {
    const seen = measured && measured[response.name];
    const { prediction } = found.responses[response.name];
    if (!exists(seen) || !prediction || (seen >= prediction[0] && seen <= prediction[1])) return [];
    const unit = response.kind === "number" ? unitOf(response) : "";
    return [`${response.name} of ${name} was measured at ${withUnit(valueWords(page, response, seen), unit)}, outside of where `
      + `one new batch is 95${THIN}% likely to lie as predicted (${withUnit(spanText(page, response, prediction), unit)}): `
      + "the model misses that product there."];
  });
}
