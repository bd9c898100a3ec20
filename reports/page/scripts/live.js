// The live formula put together: what is on the page, and drawing all of it anew after a change.

const REST_MS = 700;
const KINDS = ["found", "reference", "alternative"];

function startLive(data, place) {
  const outlook = makeOutlook(data);
  const { region } = outlook;
  const ranked = [...data.formulas].sort((a, b) => KINDS.indexOf(a.kind) - KINDS.indexOf(b.kind));
  const formulas = ranked.map((one) => ({ ...one, recipe: region.recipe(one.x, region.comboOf(one.levels)) }))
    .filter((one) => one.recipe.combo >= 0);
  const page = {
    data, outlook, region, formulas,
    sheet: data.sheet,
    asked: {},
    way: region.fill >= 0 ? "fill" : "share",
    held: new Set(),
    heldGroups: new Set(),
    batch: data.sheet.batch_g,
  };
  const status = h("p", { class: "small live-status", role: "status" });
  page.say = (text) => redraw(status, text);
  page.sayMore = (text) => redraw(status, `${status.textContent} ${text}`);
  // Told once a move has come to rest, to those who cannot see the strips.
  const told = h("p", { class: "live-told", role: "status" });
  const parts = {};
  let waiting = false;
  let rest = 0;

  function draw() {
    const found = outlook.at(page.recipe(), page.asked);
    parts.lines.draw();
    parts.readout.draw(found);
    parts.beside.draw(found);
    parts.tools.draw(page.code());
    tellSideways(place.querySelectorAll(".live-beside .scroll"));
    place.dataset.chance = found.chance === null ? "" : found.chance;
    place.dataset.drawn = String(Number(place.dataset.drawn || 0) + 1);
    clearTimeout(rest);
    rest = setTimeout(() => redraw(told, restWords(found, page.sheet)), REST_MS);
  }

  function drawSoon() {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      draw();
    });
  }

  addFormula(page, formulas[0], drawSoon);
  addLines(page, formulas[0]);
  parts.lines = makeSheet(page);
  parts.readout = makeReadout(page);
  parts.beside = makeBeside(page);
  parts.tools = makeTools(page, makeSeeker(page), parts.beside.keep);
  const { lines, readout, beside, tools } = parts;
  redraw(place, h("h3", {}, "The live formula"), h("div", { class: "live-body" },
    h("div", { class: "live-sheet" }, h("p", { class: "small" }, WORDS.intro), tools.top, lines.node, tools.below, status, told), readout.node),
    h("h3", {}, "Side by side"), beside.node, makePrinted(page, formulas[0]));
  followAddress(page);
  draw();
  return { page, outlook };
}

// A code in the address bar is opened, now and whenever it changes there.
function followAddress(page) {
  const open = () => {
    const code = new URLSearchParams(location.hash.slice(1)).get("f");
    if (!code || code === page.code() || page.open(code)) return;
    history.replaceState(null, "", `#f=${page.code()}`);
    page.sayMore(WORDS.codeBack);
  };
  open();
  addEventListener("hashchange", open);
}
