// Values of a response in its own words: numbers with their error, grades by their names, passes as the share that passes.

function gradeNear(names, value) {
  return names.reduce((best, one) => (Math.abs(one[1] - value) < Math.abs(best[1] - value) ? one : best))[0];
}

// One value, as in `reports.wording.grades.one`.
function valueWords(page, response, value, error = null) {
  const names = page.data.grades[response.name];
  if (!exists(value)) return NOTHING;
  if (names) return gradeNear(names, value);
  return response.exact ? figureBeside(value, page.asked[response.name] || response.window) : figure(value, error);
}

// What is predicted of a response, without its unit.
function predictedWords(page, response, one) {
  if (response.kind === "pass") return exists(one.value) ? `${likely(shareOf(one))} pass` : NOTHING;
  return valueWords(page, response, one.value, one.prediction ? (one.prediction[1] - one.prediction[0]) / 4 : null);
}

// How often a new batch has each grade; a threshold lies half way between two of them.
function gradeShares(one, values) {
  const cuts = values.slice(1).map((value, i) => one.law.cdf(one.scale.forward((value + values[i]) / 2)));
  return values.map((_, i) => (i < cuts.length ? cuts[i] : 1) - (i ? cuts[i - 1] : 0));
}

function shareOf(one) {
  return exists(one.chance) ? one.chance : one.value;
}

// The unit of a response, where it says more than its name does: a pH has none beside it.
function unitOf({ name, unit }) {
  return unit === name ? "" : unit;
}

function unitBeside(name, unit) {
  const said = unitOf({ name, unit });
  return said ? h("span", { class: "small" }, ` ${said}`) : null;
}

function spanText(page, response, [low, high]) {
  const names = page.data.grades[response.name];
  if (!names) return intervalText(low, high, "");
  return [...new Set([low, high].map((end) => gradeNear(names, end)))].join(" to ");
}

// What is asked, in full: `at least fair`, `12 to 15 mPa.s`, `pass`.
function askedWords(page, response, window) {
  const names = page.data.grades[response.name];
  const [low, high] = window;
  if (response.kind === "pass") return response.aim === "below" ? "fail" : response.aim === "watch" ? "no limit" : "pass";
  if (!names || (low === null && high === null)) return limitsText(low, high, unitOf(response));
  if (low === null) return `at most ${gradeNear(names, high)}`;
  if (high === null) return `at least ${gradeNear(names, low)}`;
  return spanText(page, response, window);
}
