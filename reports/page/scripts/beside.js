// Up to three formulas kept beside the one on the sheet, line by line.

const MOST_KEPT = 3;

function makeBeside(page) {
  const node = h("div", { class: "live-beside" });
  let kept = page.formulas.slice(0, MOST_KEPT).map((one) => ({ name: one.name, recipe: one.recipe }));
  let count = 0;

  function set(name, recipe) {
    kept = [...kept.slice(0, MOST_KEPT - 1), { name, recipe }];
    page.refresh();
  }

  function keep() {
    count += 1;
    set(`Yours ${count}`, page.recipe());
    page.say(`Set beside the others as Yours ${count}.`);
  }

  function head(one, i) {
    const take = h("button", { type: "button", "aria-label": `take up ${one.name}` }, "take up");
    take.addEventListener("click", () => page.take(one));
    const drop = h("button", { type: "button", "aria-label": `drop ${one.name}` }, "drop");
    drop.addEventListener("click", () => {
      kept = kept.filter((_, j) => j !== i);
      page.refresh();
    });
    return h("th", { scope: "col", class: "n" }, bdi(one.name), h("br"), take, " ", drop);
  }

  function draw(now) {
    const all = [{ recipe: page.recipe(), found: now }, ...kept.map((one) => {
      if (one.asked !== page.asked) Object.assign(one, { asked: page.asked, found: page.outlook.at(one.recipe, page.asked) });
      return one;
    })];
    const line = (name, write, unit = "") => h("tr", {}, h("th", { scope: "row" }, bdi(name),
      unit && unit !== name ? h("span", { class: "small" }, ` ${unit}`) : null), all.map((one) => h("td", { class: "n" }, write(one))));
    const rows = [line(Object.keys(page.asked).length ? `Chance of all, ${WORDS.whatIf}` : "Chance of all", ({ found }) => likely(found.chance))];
    if (now.cost !== null) rows.push(line("Cost per kg", ({ found }) => money(found.cost, page.sheet.currency)));
    for (const response of page.data.responses) {
      if (response.exact && page.data.exact[response.name].unavailable) continue;
      rows.push(line(response.name, ({ found }) => {
        const one = found.responses[response.name];
        return predictedWords(page, response, one);
      }, response.unit));
    }
    rows.push(...levelRows(page, line));
    rows.push(line("Where", ({ recipe }) => (page.region.inside(recipe) ? "inside" : "outside")));
    const others = page.formulas.filter((one) => !kept.some((shown) => shown.recipe === one.recipe));
    const more = others.map((one) => {
      const add = h("button", { type: "button", "aria-label": `set ${one.name} beside` }, bdi(one.name));
      add.addEventListener("click", () => set(one.name, one.recipe));
      return [" ", add];
    });
    redraw(node, more.length ? h("p", { class: "small" }, "To set beside as well:", more) : null, h("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Formulas side by side" },
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
