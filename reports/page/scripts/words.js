// The sentences of the live formula, in one place; as in `reports.wording.formula`, only "predicted" is said of what models say.

const WORDS = {
  hold: "hold",
  held: "held",
  fixed: "fixed",
  rest: "takes up the rest",
  wish: "a wish",
  whatIf: "what if",
  exact: "exactly",
  nowhere: "cannot move",
  open: "open",
  noMixture: "No mixture of recipes made gives it: it lies beside them, near enough for the models to speak of it.",
  looking: "Looking …",
  beside: "Chance and responses are as predicted or computed here, also of products that were measured; what was "
    + "measured stands on the strips above.",
  copied: "Copied",
  ofCode: "The formula of the code",
  codeBack: "The sheet stays as it is; the address has its code again.",
  intro: "Drag a jar along its bar, press the arrow keys on it, or type a level: what is predicted follows. "
    + "Brackets show how far a line may go now, within what was tried.",
};

function stateOf(chance) {
  if (chance === null) return "watched";
  return chance >= 0.9 ? "meets" : chance >= 0.5 ? "close" : "misses";
}

// What stands at the end of a strip: batches, as everywhere; the word is said once, above.
function chanceWords(chance, exact, why) {
  if (why) return `not known: ${why}`;
  if (chance === null) return "watched only";
  if (exact) return `${chance > 0.5 ? "meets" : "misses"}, exactly`;
  const share = batchesInWords(chance, "").replace(/^about /, "").trim();
  return stateOf(chance) === "misses" ? `misses, ${share} pass` : `${stateOf(chance)}, ${share}`;
}

function firstUpper(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}

function chanceSentence(found, moved) {
  if (found.chance === null) return `No chance of all can be given: ${found.why}.`;
  const parts = ["chance that one new batch passes every must, as predicted"];
  if (moved) parts[0] = "chance that one new batch would pass, what if the limits were those typed below";
  if (found.interval && found.error !== null) parts.push(`90${THIN}% interval: ${chanceBetween(found.interval)}`);
  return `${parts.join(". ")}.`;
}

function restWords(found, sheet) {
  const cost = found.cost === null ? "" : `, ${money(found.cost, sheet.currency, sheet.ceiling)} per kg`;
  return found.chance === null ? "" : `${likely(found.chance)} chance that everything passes${cost}`;
}

function costSentence(found, sheet) {
  if (found.cost === null) return "";
  let text = `${money(found.cost, sheet.currency, sheet.ceiling)} per kg of raw materials`;
  if (sheet.pack_g) {
    text += `, ${money((found.cost * sheet.pack_g) / 1000, sheet.currency)} a pack of ${exactly(sheet.pack_g)}${THIN}g`;
  }
  if (sheet.ceiling !== null) {
    const off = sheet.ceiling - found.cost;
    const isAt = Math.abs(off) <= 1e-9 * Math.max(1, Math.abs(sheet.ceiling));
    const by = isAt ? "at" : `${money(Math.abs(off), sheet.currency, 0)} ${off > 0 ? "below" : "above"}`;
    text += `, ${by} the ceiling of ${money(sheet.ceiling, sheet.currency)}`;
  }
  return `${text}.`;
}

function roomWords([low, high], write) {
  return write(low, -1) === write(high, 1) || high - low < 1e-9 ? WORDS.nowhere : `${write(low, -1)} to ${write(high, 1)}`;
}

// What a search found; `changed` are the choices that it made anew, `weak` the must that stands most in the way.
function betterWords(before, after, starts, changed, weak) {
  const from = starts === 1 ? "from one start" : `from ${starts} starts`;
  const inTheWay = weak === null || after >= 0.5 ? "" : ` Most in the way: ${weak}.`;
  if (!(after > before + 5e-4)) return `Nothing better was found for the rest, ${from}.${inTheWay}`;
  const digits = likely(after) === likely(before) ? 1 : 0;
  const [was, is] = [before, after].map((one) => likely(one, digits));
  const gain = is === was ? `still ${is}` : `${is} instead of ${was}`;
  const choices = changed.map(([name, level, last]) => ` ${name} is now ${level}, instead of ${last}.`).join("");
  return `Best found for the rest, ${from}: ${gain}.${choices} It is not proved the best.${inTheWay}`;
}

function standingWords(labels, whys) {
  return labels.map((label) => (whys[label] ? `${label} (${whys[label]})` : label)).join("; ");
}

const PRINT_WORDS = {
  title: "Tried on screen, not kept",
  says: "Levels as they were moved on the page when it was printed. This is not the formula that the report speaks of. "
    + "To bring it back, open the report and type the code",
};

// What checks of the trade have to say of a formula, by how grave it is.
const TRADE_WORDS = { stop: "Stops", warn: "Look at", inform: "Note" };

function whereSentence(region, recipe) {
  if (!region.within(recipe.x, recipe.combo)) return "Outside the limits: every number is a guess.";
  if (!region.tried(recipe)) return "Outside what was tried: treat every number as a guess.";
  return region.between(recipe) ? "Within what was tried." : `Within what was tried. ${WORDS.noMixture}`;
}

function whereWord(region, recipe) {
  if (!region.inside(recipe)) return "outside";
  return region.between(recipe) ? "inside" : "inside, no mixture";
}

function findingSentence(one) {
  const asked = one.allowed ? `; ${one.allowed}` : "";
  return `${one.where}: ${one.got}${asked}.${one.do ? ` ${firstUpper(one.do)}.` : ""}`;
}

function heldSentence(name) {
  return `${name} is held; let it go first.`;
}

// A category as people call it: of a material, its ingredient.
function nameOf(category) {
  return category.replace(/^material: /, "");
}

function refusedSentence(name, value, farthest, here, { words, hint }) {
  const only = farthest === null ? "" : `, only to ${farthest}`;
  return `${name} may not go to ${value} now${only}: ${words}. It stays at ${here}.${hint}`;
}

function endSentence(name, side, { words, hint }) {
  return `${name} goes no ${side > 0 ? "higher" : "lower"} now: ${words}.${hint}`;
}

function heldBackSentence(level, held) {
  return `${level} cannot come in as things stand while ${held.join(" and ")} ${held.length > 1 ? "are" : "is"} held.`;
}

function barredSentence(level, why) {
  return `${level} cannot be chosen: ${why}.`;
}

function noStepSentence(name, value) {
  return `${name} cannot come to ${value}: no whole weighable steps of what gives way lead there. All stays as it was.`;
}

function nearSentence(name, value, near) {
  return `${name} stands at ${near}, as near to ${value} as whole weighable steps of what gives way allow.`;
}

function takenSentence(name, whole) {
  if (whole) return `${name} stands on the sheet.`;
  return `${name} lies outside what was tried; the nearest one inside, at levels that can be weighed, stands on the sheet.`;
}

function noLimitSentence(name) {
  return `That is no number; the limit of ${name} stays. An empty one is open.`;
}

function beyondSentence(name, [low, high]) {
  const ends = high === null ? `above ${exactly(low)}` : `above ${exactly(low)} and below ${exactly(high)}`;
  return `${name} always lies ${ends}, and so must its limits; the limit stays. An empty one is open.`;
}

function crossedSentence(name) {
  return `The lower limit of ${name} must lie below the upper one.`;
}
