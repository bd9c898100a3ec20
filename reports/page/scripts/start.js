// Begins when the page stands: the sheet as found gives way to the live one, and comes back for print.

const place = document.getElementById("live");
const kept = document.getElementById("live-data");
if (place && kept) {
  const data = JSON.parse(kept.textContent);
  const live = startLive(data, place);
  place.hidden = false;
  document.documentElement.classList.add("live-on");
  globalThis.blendwright = Object.freeze({
    // What is predicted at levels by name (and categories by name): for the console, and for tests.
    predict(levels) {
      const { region } = live.outlook;
      const choices = Object.fromEntries(region.groups.map((name) => [name, levels[name]]));
      const x = region.names.map((name) => levels[name]);
      return live.outlook.at(region.recipe(x, region.comboOf(choices)));
    },
  });
}
