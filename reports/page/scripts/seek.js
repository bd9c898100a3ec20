// The search in the page: a little at a time, so that the page stays alive; a second press ends it with the best so far.

const FRAME_MS = 10;

function makeSeeker(page) {
  const { outlook, region } = page;
  let end = null;

  // Formulas that were found before, which a search starts from as well.
  page.known = () => page.formulas.map((one) => one.recipe).filter((one) => region.inside(one));

  function finish(found, before) {
    end = null;
    const after = found === null ? before : outlook.at(found.recipe, page.asked).chance;
    if (after > before + 5e-4) page.change(found.recipe);
    else page.refresh();
    if (found !== null) page.say(betterWords(before, after, found.starts));
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
