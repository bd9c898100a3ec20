// What stands behind each prediction, for those who ask: the three intervals that must not be mixed. Tolerance takes
// its time, so it is found once the sheet is at rest, one response after the other.

const SETTLED_MS = 250;

function makeIntervals(page) {
  const body = h("tbody");
  const head = ["", "Mean of all batches", "One new batch", "95 of 100 batches"].map((text, i) => {
    return h(i ? "th" : "td", { scope: i ? "col" : null, class: i ? "n" : null }, text);
  });
  const note = h("p", { class: "small" }, "As predicted of the formula on the sheet. Mean: it lies in there with 95\u202f% "
    + "confidence. One new batch: 95\u202f% likely in there. 95 of 100 batches: at least so many lie in there, with 95\u202f% "
    + "confidence; wider, as it allows for what the trials leave unknown of the scatter.");
  const node = h("details", { class: "live-intervals" }, h("summary", {}, "Intervals"), note,
    h("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Intervals of the formula on the sheet" },
      h("table", {}, h("thead", {}, h("tr", {}, head)), body)));
  let latest = null;
  let timer = 0;
  node.addEventListener("toggle", () => latest && draw(latest));

  const shown = () => page.data.responses.filter((one) => !one.exact && one.kind !== "pass");
  const text = (ends, response) => spanText(page, response, ends);

  function draw(found) {
    latest = found;
    clearTimeout(timer);
    if (!node.open) return;
    const waiting = [];
    redraw(body, shown().map((response) => {
      const one = found.responses[response.name];
      const cell = h("td", { class: "n" }, one.prediction ? "…" : NOTHING);
      if (one.prediction) waiting.push(() => redraw(cell, text(one.tolerance(), response)));
      const near = one.prediction ? [text(one.confidence(), response), text(one.prediction, response)] : [NOTHING, NOTHING];
      return h("tr", {}, h("th", { scope: "row" }, bdi(response.name), unitBeside(response.name, response.unit)),
        near.map((said) => h("td", { class: "n" }, said)), cell);
    }));
    const next = () => {
      const work = waiting.shift();
      if (work) work();
      if (waiting.length) timer = setTimeout(next, 0);
    };
    timer = setTimeout(next, SETTLED_MS);
  }

  node.hidden = !shown().length;
  return { node, draw };
}
