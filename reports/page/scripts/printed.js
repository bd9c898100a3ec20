// What is printed of a formula that was played with: it stands in the printed report beside the one as found, marked as
// what it is, with its code to bring it back.

function makePrinted(page, first) {
  const node = h("section", { class: "live-print", "aria-label": PRINT_WORDS.title, hidden: true });

  function isMoved() {
    const now = page.recipe();
    return now.combo !== first.recipe.combo || now.x.some((v, j) => Math.abs(v - first.recipe.x[j]) > 1e-9)
      || Object.keys(page.asked).length > 0;
  }

  function table(head, rows) {
    const cells = (tag, row) => row.map((text, i) => h(i ? tag : "th", {
      scope: i ? (tag === "th" ? "col" : null) : tag === "th" ? "col" : "row", class: i ? "n" : null,
    }, i ? text : bdi(text)));
    return h("table", {}, h("thead", {}, h("tr", {}, cells("th", head))),
      h("tbody", {}, rows.map((row) => h("tr", {}, cells("td", row)))));
  }

  function lines() {
    const { sheet } = page;
    const { x, levels } = page.recipe();
    const named = (item) => (item.category === null ? item.name : `${item.name}: ${levels[item.category]}`);
    const rows = sheet.lines.map((item) => {
      const level = item.column === null ? item.level : x[item.column];
      return [named(item), item.column === null ? levelText(level, null, sheet.total) : page.write(item, level), page.grams(level)];
    });
    const settings = sheet.settings.map((item) => (item.column === null ? [item.name, levels[item.category], ""]
      : [item.name, withUnit(page.write({ ...item, setting: true }, x[item.column]), item.unit), ""]));
    const grams = `g in ${exactly(page.batch)}\u202fg`;
    return table(sheet.lines.length ? ["Ingredient", sheet.unit, grams] : ["Setting", "", ""], [...rows, ...settings]);
  }

  function responses(found) {
    const { data, asked } = page;
    const rows = data.responses.map((response) => {
      const one = found.responses[response.name];
      const window = askedWords(page, response, asked[response.name] || response.window);
      const unit = response.kind === "number" ? unitOf(response) : "";
      return [response.name, asked[response.name] ? `${window} (${WORDS.whatIf})` : window,
        withUnit(predictedWords(page, response, one), unit), chanceWords(one.chance, response.exact, one.why)];
    });
    return table(["Response", "Asked", "Predicted", "Batches"], rows);
  }

  function findings(found) {
    const said = found.findings.filter((one) => one.level !== "inform");
    return said.length ? h("ul", {}, said.map((one) => h("li", {}, `${TRADE_WORDS[one.level]}: ${findingSentence(one)}`))) : null;
  }

  function update() {
    node.hidden = !isMoved();
    if (node.hidden) return;
    const found = page.outlook.at(page.recipe(), page.asked);
    const chance = found.chance === null ? "" : `${firstUpper(likely(found.chance))} `;
    redraw(node, h("h3", {}, PRINT_WORDS.title), h("p", {}, `${PRINT_WORDS.says} `, h("code", {}, page.code()), "."),
      lines(), h("p", {}, chance, chanceSentence(found, Object.keys(page.asked).length > 0), " ",
        costSentence(found, page.sheet)), h("p", {}, whereSentence(page.region, page.recipe())), findings(found), responses(found));
  }

  addEventListener("beforeprint", update);
  matchMedia("print").addEventListener("change", (event) => event.matches && update());
  return node;
}
