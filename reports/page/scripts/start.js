// Begins when the page stands: the sheet as found gives way to the live one, and comes back for print.

const place = document.getElementById("live");
const kept = document.getElementById("live-data");
if (place && kept) {
  const data = JSON.parse(kept.textContent);
  const live = startLive(data, place);
  place.hidden = false;
  document.documentElement.classList.add("live-on");
  const { outlook, page } = live;
  followSideways();
  const recipeAt = (levels) => {
    const { region } = outlook;
    const choices = Object.fromEntries(region.groups.map((name) => [name, levels[name]]));
    return region.recipe(region.names.map((name) => levels[name]), region.comboOf(choices));
  };
  // For the console, and for tests; levels and categories by name.
  globalThis.blendwright = Object.freeze({
    // What is predicted there.
    predict: (levels) => outlook.at(recipeAt(levels)),
    // The best of the rest from there, with what is named held: its levels and categories.
    best(levels, held = []) {
      const { names, groups } = outlook.region;
      const columns = new Set(held.map((name) => names.indexOf(name)).filter((j) => j >= 0));
      const run = bestOfTheRest(outlook, recipeAt(levels), columns, new Set(held.filter((name) => groups.includes(name))),
        page.asked, page.known());
      let step = run.next();
      while (!step.done && !step.value.done) step = run.next();
      const { recipe } = step.value;
      return { ...Object.fromEntries(names.map((name, j) => [name, recipe.x[j]])), ...recipe.levels };
    },
  });
}
