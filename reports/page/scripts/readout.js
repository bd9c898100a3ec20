// Beside the sheet: what is predicted of the formula as it stands, drawn anew with every move.

function makeReadout(page) {
  const chance = h("div", { class: "live-chance" });
  const strips = h("ul", { class: "strips live-strips" });
  const said = h("dl", { class: "said" });
  const limits = makeLimits(page);
  const intervals = makeIntervals(page);
  const node = h("div", { class: "live-readout" }, chance,
    h("div", { class: "live-rest" }, strips, said, intervals.node, limits.node));

  function draw(found) {
    drawChance(found);
    redraw(strips, page.data.responses.map((response) => row(response, found.responses[response.name])));
    redraw(said, facts(found).flatMap(([term, text]) => (text ? [h("dt", {}, term), h("dd", {}, text)] : [])));
    intervals.draw(found);
    limits.draw();
  }

  function drawChance(found) {
    if (found.chance === null) {
      redraw(chance, h("p", { class: "note" }, chanceSentence(found, Object.keys(page.asked).length > 0)));
      return;
    }
    const words = h("p", { class: "chance" }, h("span", { class: "figure" }, likely(found.chance)), " ",
      h("span", { class: "live-sentence" }, chanceSentence(found, Object.keys(page.asked).length > 0)));
    redraw(chance, jars(found.chance, found.interval), words, brief(found));
  }

  // On a small screen, where the strips are out of sight while a jar is dragged: how each response does, in a word.
  function brief(found) {
    const each = page.data.responses.filter((one) => exists(found.responses[one.name].chance));
    return h("p", { class: "live-brief", "aria-hidden": "true" }, each.map((one) => h("span", {},
      stateSign(stateOf(found.responses[one.name].chance)), bdi(one.name))));
  }

  function row(response, one) {
    const asked = page.asked[response.name];
    const window = asked || response.window;
    const state = one.chance === null ? "watched" : stateOf(one.chance);
    const words = chanceWords(one.chance, response.exact, one.why);
    const value = one.value === null ? NOTHING : withUnit(predictedWords(page, response, one), response.kind === "number" ? unitOf(response) : "");
    const says = `${response.name}: ${askedWords(page, response, window)}; predicted ${value}; ${words}`;
    const look = { ...lookOf(page.data.strips[response.name], one, window, response), write: (v) => valueOnStrip(response, v) };
    const notes = [];
    if (!response.must && response.limited) notes.push(`, ${WORDS.wish}`);
    if (asked) notes.push(`, ${WORDS.whatIf}`);
    const head = h("span", { class: "live-head" }, h("b", {}, bdi(response.name)), " ", h("span", { class: "small" }, value, notes),
      h("span", { class: "state" }, stateSign(state), words));
    const names = page.data.grades[response.name];
    const graded = names && names.length > 1 && one.law;
    return h("li", {}, head, graded ? gradedStrip(response, one, look, window, says, names) : strip(response, one, look, window, says));
  }

  function valueOnStrip(response, value) {
    return page.data.grades[response.name] ? valueWords(page, response, value) : exactly(value);
  }

  function facts(found) {
    const { region } = page;
    const recipe = page.recipe();
    const on = standingWords(region.standsOn(recipe), page.data.whys);
    return [["Cost", costSentence(found, page.sheet)], ["Where", whereSentence(region, recipe)], ["At its limit", on],
      ...found.findings.map((one) => [TRADE_WORDS[one.level], findingSentence(one)])];
  }

  return { node, draw };
}

// The ends of a strip: those of the formula found, or further out where the limits or the prediction go further.
function lookOf(kept, one, window, response) {
  const log = kept ? kept.log : false;
  if (response.kind === "pass") return { low: 0, high: 1, log: false, marks: [], response };
  if (response.kind === "grade" && kept) return { low: kept.axis[0], high: kept.axis[1], log: false, marks: kept.marks, response };
  let [low, high] = kept ? kept.axis : [0, 1];
  const ends = [...window, ...(one.prediction || []), one.value].filter((v) => exists(v) && (!log || v > 0));
  for (const value of ends) {
    const room = log ? 1.15 : 0.06 * (high - low);
    if (value < low) low = log ? value / room : value - room;
    if (value > high) high = log ? value * room : value + room;
  }
  return { low, high, log: log && low > 0, marks: kept ? kept.marks : [], response };
}

// Limits that may be moved to see what would follow; nothing of it is written back.
function makeLimits(page) {
  const rows = [];
  const list = h("div", { class: "live-limits" });
  for (const response of page.data.responses) {
    if (!response.limited || response.kind === "pass" || response.kind === "grade") continue;
    const label = h("span", {}, bdi(response.name), unitBeside(response.name, response.unit));
    const inputs = response.window.map((_, side) => {
      const input = h("input", {
        class: "n", type: "text", inputmode: "decimal", autocomplete: "off",
        "aria-label": `${response.name}: ${side ? "at most" : "at least"}`,
      });
      input.addEventListener("change", () => page.ask(response, side, input.value));
      return input;
    });
    rows.push({ response, inputs });
    list.append(label, ...inputs);
  }
  const back = h("button", { type: "button" }, "As in the brief");
  back.addEventListener("click", () => page.askAgain());
  const head = ["", "at least", "at most"].map((text) => h("span", { class: "small n" }, text));
  list.prepend(...head);
  const note = h("p", { class: "small" }, "What if the brief asked for something else? Type other limits, or empty one "
    + "to leave it open: the chance follows. Nothing of it is kept or written back.");
  const node = h("details", { class: "live-what-if" }, h("summary", {}, "What if the limits were others"), note, list, back);
  if (!rows.length) node.hidden = true;

  function draw() {
    for (const { response, inputs } of rows) {
      const window = page.asked[response.name] || response.window;
      inputs.forEach((input, side) => {
        input.value = window[side] === null ? WORDS.open : exactly(window[side]);
      });
    }
    back.disabled = !Object.keys(page.asked).length;
  }

  return { node, draw };
}
