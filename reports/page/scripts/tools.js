// What stands around the sheet: the batch size, what gives way, the search, steps back, the code.

function makeTools(page, seeker, setBeside) {
  const { region, sheet } = page;
  const batch = h("input", { class: "n", type: "text", inputmode: "decimal", autocomplete: "off" });
  batch.addEventListener("change", () => {
    const value = typedNumber(batch.value);
    const isWeight = value !== null && value > 0;
    if (isWeight) page.batch = value;
    page.say(isWeight ? "" : "A batch needs a weight in grams above 0.");
    page.refresh();
  });
  const ways = region.fill >= 0 && region.blend.length > 2 ? gives(page) : null;
  const top = h("div", { class: "live-tools" },
    sheet.lines.length ? h("label", {}, "A batch of ", batch, " g") : null, ways);

  const find = h("button", { type: "button", class: "live-find" });
  find.addEventListener("click", seeker.press);
  find.hidden = !page.outlook.hasGoal;
  const back = h("button", { type: "button" }, "Step back");
  back.addEventListener("click", page.back);
  const [first] = page.formulas;
  const again = h("button", { type: "button" }, `Back to ${first.name}`);
  again.addEventListener("click", () => page.take(first));
  const keep = h("button", { type: "button" }, "Set beside");
  keep.addEventListener("click", setBeside);

  const code = h("input", { type: "text", class: "live-code", spellcheck: "false", autocomplete: "off" });
  code.addEventListener("change", () => page.open(code.value));
  code.addEventListener("focus", () => code.select());
  const copy = h("button", { type: "button" }, "Copy");
  copy.addEventListener("click", () => copied(page, code));
  const below = h("div", { class: "live-acts" }, find, back, again, keep,
    h("span", { class: "live-code-line" }, h("label", {}, "Code ", code), " ", copy));
  let timer = 0;

  function draw(text) {
    batch.value = exactly(page.batch);
    redraw(find, seeker.isSeeking() ? "Stop looking" : "Best of the rest");
    back.disabled = !page.isBack();
    code.value = text;
    clearTimeout(timer);
    if (page.isBack()) timer = setTimeout(() => history.replaceState(null, "", `#f=${text}`), 300);
  }

  return { top, below, draw };
}

function gives(page) {
  const name = page.region.names[page.region.fill];
  const choice = (way, text) => {
    const input = h("input", { type: "radio", name: "live-way", value: way, checked: page.way === way });
    input.addEventListener("change", () => {
      page.way = way;
      page.say("");
      page.refresh();
    });
    return h("label", {}, input, " ", text);
  };
  return h("fieldset", {}, h("legend", {}, "What gives way"), choice("fill", bdi(name)),
    choice("share", "all others, in proportion"));
}

async function copied(page, code) {
  try {
    await navigator.clipboard.writeText(code.value);
  } catch {
    code.select();
    document.execCommand("copy");
  }
  page.say(`${WORDS.copied}: ${code.value}`);
}
