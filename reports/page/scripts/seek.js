// The search in the page: a little at a time, so that the page stays alive; a second press ends it with the best so far.

const FRAME_MS = 10;

function makeSeeker(page) {
  const { outlook, region } = page;
  let end = null;

  // Formulas that were found before, which a search starts from as well.
  page.known = () => page.formulas.map((one) => one.recipe).filter((one) => region.inside(one));

  function finish(found, before) {
    end = null;
    const seen = outlook.at(found === null ? page.recipe() : found.recipe, page.asked);
    const last = page.recipe().levels;
    const isBetter = found !== null && seen.chance > before + 5e-4;
    if (isBetter) page.change(found.recipe);
    else page.refresh();
    if (found === null) return;
    const { levels } = found.recipe;
    const others = region.groups.filter((name) => levels[name] !== last[name]);
    const changed = others.map((name) => [nameOf(name), levels[name], last[name]]);
    page.say(betterWords(before, seen.chance, found.starts, isBetter ? changed : [], weakestOf(seen)));
  }

  // The must that a new batch most often would miss, in words; null where none has a chance.
  function weakestOf(seen) {
    const musts = page.data.responses.filter((one) => one.must && exists(seen.responses[one.name].chance));
    if (!musts.length) return null;
    const [weak] = musts.sort((a, b) => seen.responses[a.name].chance - seen.responses[b.name].chance);
    const { name, exact } = weak;
    const one = seen.responses[name];
    const unit = weak.kind === "number" ? unitOf(weak) : "";
    const asked = askedWords(page, weak, page.asked[name] || weak.window);
    const value = `${exact ? "computed" : "predicted"} ${withUnit(predictedWords(page, weak, one), unit)}`;
    return `${name}, ${chanceWords(one.chance, exact, one.why)} (asked ${asked}; ${value})`;
  }

  function begin() {
    const start = page.recipe();
    const before = outlook.at(start, page.asked).chance;
    const run = bestOfTheRest(outlook, start, new Set(page.held), new Set(page.heldGroups), page.asked, page.known());
    let best = null;
    end = () => finish(best, before);
    function look() {
      if (end === null) return;
      const until = performance.now() + FRAME_MS;
      while (performance.now() < until) {
        const step = run.next();
        if (step.done || step.value.done) {
          finish(step.value || best, before);
          return;
        }
        best = step.value;
      }
      requestAnimationFrame(look);
    }
    page.say(WORDS.looking);
    page.refresh();
    requestAnimationFrame(look);
  }

  return { press: () => (end ? end() : begin()), isSeeking: () => end !== null };
}
