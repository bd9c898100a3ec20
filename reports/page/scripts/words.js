// The sentences of the live formula, in one place; as in `reports.wording.wording`, only "predicted" is said of what models say.

const WORDS = {
  hold: "hold",
  held: "held",
  fixed: "fixed",
  rest: "takes up the rest",
  wish: "a wish",
  whatIf: "what if",
  exact: "exactly",
  nowhere: "cannot move",
  looking: "Looking …",
  copied: "Copied",
  ofCode: "The formula of the code",
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
  const cost = found.cost === null ? "" : `, ${money(found.cost, sheet.currency)} per kg`;
  return found.chance === null ? "" : `${likely(found.chance)} chance that everything passes${cost}`;
}

function costSentence(found, sheet) {
  if (found.cost === null) return "";
  let text = `${money(found.cost, sheet.currency)} per kg of raw materials`;
  if (sheet.pack_g) {
    text += `, ${money((found.cost * sheet.pack_g) / 1000, sheet.currency)} a pack of ${exactly(sheet.pack_g)}${THIN}g`;
  }
  if (sheet.ceiling !== null) {
    const off = sheet.ceiling - found.cost;
    const by = Math.abs(off) < 0.005 ? "at" : `${money(Math.abs(off), sheet.currency)} ${off > 0 ? "below" : "above"}`;
    text += `, ${by} the ceiling of ${money(sheet.ceiling, sheet.currency)}`;
  }
  return `${text}.`;
}

function roomWords([low, high], write) {
  return write(low) === write(high) ? WORDS.nowhere : `${write(low)} to ${write(high)}`;
}

function betterWords(before, after, starts) {
  const from = starts === 1 ? "from one start" : `from ${starts} starts`;
  if (!(after > before + 5e-4)) return `Nothing better was found for the rest, ${from}.`;
  return `Best found for the rest, ${from}: ${likely(after)} instead of ${likely(before)}. It is not proved the best.`;
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
  return "Within what was tried.";
}

function findingSentence(one) {
  const asked = one.allowed ? `; ${one.allowed}` : "";
  return `${one.where}: ${one.got}${asked}.${one.do ? ` ${firstUpper(one.do)}.` : ""}`;
}

function heldSentence(name) {
  return `${name} is held; let it go first.`;
}

function stoppedSentence(name, value) {
  return `${name} may not go to ${exactly(value)} now; it stands as near as it may.`;
}

function takenSentence(name, whole) {
  if (whole) return `${name} stands on the sheet.`;
  return `${name} lies outside what was tried; the nearest formula inside stands on the sheet.`;
}

function noLimitSentence(name) {
  return `That is no number; the limit of ${name} stays.`;
}

function crossedSentence(name) {
  return `The lower limit of ${name} must lie below the upper one.`;
}
