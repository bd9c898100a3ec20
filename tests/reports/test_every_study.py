"""The report of every sort of study: nothing wider than the page, no text cut or on top of another, no message.

Studies and readings here are made up for these tests.
"""

import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from doe import Study, plan
from doe.results.joining import joined
from optimise import find, fit, next_trials
from optimise.upcoming.verdict import confirmation
from reports import write_report
from reports.gathering.formula import formulas
from reports.pictures.strip import strip, strip_words

pytestmark = pytest.mark.browser

NAMES = ("Gum", "Wax", "Oil", "Clay", "Humectant", "Starch", "Silk", "Stone")
SIZES = {"Gum": 0.4, "Wax": 3, "Oil": 6, "Clay": 2, "Humectant": 3, "Starch": 1.5, "Silk": 0.5, "Stone": 4}


def blend(count, **more):
    """Water and `count` ingredients that vary."""
    lines = [
        {"name": n, "low": SIZES[n], "high": 2 * SIZES[n], "phase": "AB"[i % 2]} for i, n in enumerate(NAMES[:count])
    ]
    return {"ingredient": [{"name": "Water", "qs": True, "phase": "A"}, *lines], **more}


def response(name, middle, **more):
    """A number measured with an sd of 3 % of its middle, wanted within a quarter of it."""
    wanted = {"aim": "within", "low": 0.75 * middle, "high": 1.25 * middle}
    return {"name": name, "method": "invented", "sd": 0.03 * middle, **wanted, **more}


def study(name, source, responses, runs=0, **more):
    setting = {
        "batch_g": 250,
        "batches_per_day": 4,
        "batch_cost": 35,
        "currency": "EUR",
        "product": "leave-on",
        "market": "EU",
    }
    trials = {"seed": 3, "model": "linear", **({"runs": runs} if runs else {}), **more.pop("plan", {})}
    return {"study": {"name": name, **setting}, "response": responses, "plan": trials, **source, **more}


THICK = response("Thickness", 20000, unit="mPa.s", target=20000, aim="target")
EIGHT = [
    THICK,
    response("pH", 5.5, unit="pH"),
    response("Settled", 2, unit="mm", aim="below", low=None),
    response("Spread", 7, unit="score", aim="above", high=None),
    response("Foam height", 120, unit="mm"),
    response("Gloss", 60, unit="GU", must=False),
    response("Drops at 40 C", 8),
    response("Colour", 30, aim="watch"),
]
EIGHT = [{k: v for k, v in one.items() if v is not None} for one in EIGHT]
LONG = "Hydrogenated vegetable glycerides and behenyl alcohol flakes, second grade"  # names go up to 80 signs
TURNED = {
    "ingredient": [
        {"name": "ماء", "qs": True},
        {"name": "صمغ الزانثان", "low": 0.2, "high": 0.8},
        {"name": "乳化ワックス", "low": 1, "high": 5},
    ]
}
FACTORS = {
    "factor": [
        {"name": "Homogenise", "unit": "min", "low": 2, "high": 8},
        {"name": "Heat", "unit": "C", "low": 60, "high": 80},
        {"name": "Wetting", "levels": ["dry", "in humectant"]},
    ]
}

STUDIES = {
    "two ingredients": study("Two", blend(1), [THICK], 10),
    "three ingredients": study("Three", blend(2), [THICK, EIGHT[1]], plan={"model": "quadratic"}),
    "five ingredients": study("Five", blend(4, factor=FACTORS["factor"][:1]), EIGHT[:3], 20),
    "eight ingredients": study("Eight", blend(7), EIGHT[:2], 22),
    "factors only": study("Factors only", FACTORS, EIGHT[:2], 14),
    "eight responses": study("Eight responses", blend(3), EIGHT, 16),
    "long names": study(
        f"{LONG}: {LONG}",
        {
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": LONG, "low": 1, "high": 5, "phase": LONG},
                {"name": LONG[:-1], "low": 2, "high": 8},
            ]
        },
        [
            {**THICK, "name": f"Thickness of {LONG}"[:80], "unit": "mPa.s after one night"},
            {**EIGHT[1], "name": f"{LONG} (2)"},
        ],
        reference=[{"name": f"Today's {LONG}", "levels": {}, "measured": {f"{LONG} (2)": 5.3}}],
    ),
    "right to left": study("غسول اليدين", TURNED, [{**THICK, "name": "اللزوجة"}, {**EIGHT[1], "name": "粘度"}]),
    "clash": study("Clash", blend(2), [THICK, response("Stiffness", 40, aim="above", low=90, high=None)]),
    "wishes only": study("Wishes", blend(2), [{**THICK, "must": False}, {**EIGHT[1], "must": False}]),
    "grade and pass": study(
        "Grades",
        blend(2),
        [
            {
                "name": "Feel",
                "kind": "grade",
                "grades": ["poor", "fair", "good", "very good"],
                "aim": "above",
                "low": "good",
                "method": "panel (invented)",
            },
            {"name": "Freeze and thaw", "kind": "pass", "method": "invented"},
            EIGHT[1],
        ],
        16,
    ),
    "blocks": study("Blocks", blend(2), EIGHT[:2], 15, plan={"blocks": 3}),
    "whole plots": study(
        "Whole plots",
        blend(2, factor=[{**FACTORS["factor"][1], "hard_to_change": True}]),
        EIGHT[:2],
        16,
        plan={"whole_plots": 8},
    ),
}
STUDIES["clash"]["response"][1].pop("high")


def readings(made, table, seed=1, scatter=1.0):
    """A smooth made-up surface for every response, with the scatter the study names."""
    rng = np.random.default_rng(seed)
    coded = pd.DataFrame(index=table.index)
    for part in [*made.ingredients, *made.factors]:
        if part.name not in table or getattr(part, "qs", False):
            continue
        column = table[part.name]
        numbers = pd.to_numeric(column, errors="coerce")
        if numbers.isna().any():
            coded[part.name] = np.where(column == column.iloc[0], -1.0, 1.0)
        elif part.low is not None and part.high is not None and part.high > part.low:
            coded[part.name] = (numbers - part.low) / (part.high - part.low) * 2 - 1
    out = {}
    for i, one in enumerate(made.fitted_responses):
        weights = np.roll(np.array([0.22, -0.12, 0.06, -0.03, 0.02, 0.01, 0.01, 0.01]), i)[: coded.shape[1]]
        bent = 1 + coded.to_numpy() @ weights + 0.05 * np.prod(coded.to_numpy()[:, :2], axis=1)
        noise = rng.normal(size=len(table))
        if one.kind == "grade":
            place = np.clip(np.round(2 + 4 * (bent - 1) + 0.5 * noise), 0, len(one.grades) - 1).astype(int)
            out[one.name] = [one.grades[k] for k in place]
        elif one.kind == "pass":
            out[one.name] = np.where(bent + 0.1 * noise > 0.9, "pass", "fail")
        else:
            middle = {"Stiffness": 40.0}.get(one.name, one.target or (one.low or one.high or 24) / 0.75)
            middle = middle / 1.667 if one.low is None and one.high is not None else middle
            out[one.name] = middle * (bent + scatter * 0.03 * noise)
    return pd.DataFrame(out, index=table.index)


def told(name, folder, source=None, confirmed=None, planned=False, scatter=1.0):
    """Write the report of one study; `confirmed` adds three batches of its formula, that far off, in sd."""
    made = Study.from_dict(source or STUDIES[name])
    assert [p for p in made.problems if p.level == "stop"] == []
    path, design = folder / f"{name.replace(' ', '-')}.html", plan(made)
    if planned:
        write_report(path, made, design=design)
        return path
    results = made.results(readings(made, design.table, scatter=scatter), design=design)
    models = fit(made, results)
    best = find(made, models)
    verdict, designs = None, [design]
    if confirmed is not None:
        fresh = next_trials(made, models, confirm=3, best=best).design
        told_now = readings(made, fresh.table, seed=2, scatter=scatter) * (1 + 0.03 * confirmed)
        results = joined(results, made.results(told_now, design=fresh))
        models = fit(made, results)
        verdict, designs = confirmation(made, results, best.levels), [design, fresh]
    days = [f"2026-03-{day:02d}T09:1{day}:00+00:00" for day in range(2, 7)]
    journal = [
        SimpleNamespace(when=when, user="R. Example", command=what, why="", digest=f"{i:064x}")
        for i, (when, what) in enumerate(zip(days, ("plan", "record", "fit", "optimise", "report"), strict=True))
    ]
    write_report(
        path, made, design=designs, results=results, models=models, best=best, verdict=verdict, journal=journal
    )
    return path


LOOKS = {
    **{name: {} for name in STUDIES},
    "nothing measured": {"source": STUDIES["five ingredients"], "planned": True},
    "confirmed": {"source": STUDIES["three ingredients"], "confirmed": 0},
    "not confirmed": {"source": STUDIES["three ingredients"], "confirmed": 6},
}

# What stands wider than the page (but for tables, which scroll in their own box), and text of a picture that leaves
# it or runs over other text of it.
AMISS = """() => {
  const wide = document.documentElement.clientWidth + 1, out = [];
  if (document.documentElement.scrollWidth > wide) out.push("the page is wider than the window");
  const seen = (one) => one.checkVisibility() && one.getBoundingClientRect().width > 0;
  for (const one of document.querySelectorAll("body *")) {
    if (!seen(one) || one.closest(".scroll, #live") || one.ownerSVGElement) continue;
    if (one.getBoundingClientRect().right > wide) out.push(`wider: ${one.outerHTML.slice(0, 80)}`);
    if (one.matches("p, li, dd, dt, h1, h2, h3, td, th, figcaption") && one.scrollWidth > one.clientWidth + 2
        && getComputedStyle(one).overflowX !== "visible") out.push(`cut: ${one.innerText.slice(0, 60)}`);
  }
  for (const picture of document.querySelectorAll("main svg.pic:not(.sign)")) {
    if (!seen(picture) || picture.closest("#live")) continue;
    const frame = picture.getBoundingClientRect(), name = picture.getAttribute("aria-label");
    const texts = [...picture.querySelectorAll("text:not(.number)")].map((one) => [one, one.getBoundingClientRect()]);
    texts.forEach(([one, box], i) => {
      const said = one.firstChild ? one.firstChild.textContent : "";
      if (box.left < frame.left - 2 || box.right > frame.right + 2) out.push(`leaves "${name}": ${said}`);
      for (const [other, to] of texts.slice(i + 1)) {
        const over = Math.min(box.right, to.right) - Math.max(box.left, to.left);
        const down = Math.min(box.bottom, to.bottom) - Math.max(box.top, to.top);
        if (over > 3 && down > 0.35 * Math.min(box.height, to.height))
          out.push(`in "${name}": ${said} over ${other.firstChild.textContent}`);
      }
    });
  }
  return out;
}"""


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    folder = tmp_path_factory.mktemp("every")
    return lambda name: told(name, folder, **LOOKS[name])


@pytest.mark.parametrize("name", LOOKS)
def test_nothing_is_cut_or_wider_than_the_page(name, report, opened):
    path = report(name)
    for size, phone in (((1366, 768), False), ((390, 844), True)):
        page = opened(path, viewport={"width": size[0], "height": size[1]}, is_mobile=phone, has_touch=phone)
        page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        assert page.evaluate(AMISS) == []
        if not phone:
            assert page.evaluate("document.querySelector('nav').getBoundingClientRect().top") < 768


def test_where_there_is_no_chance_none_is_drawn(report):
    text = report("clash").read_text(encoding="utf-8")
    assert "Where the chance is" not in text
    assert "How fast the chance falls" not in text
    assert "Where the chance is" in report("three ingredients").read_text(encoding="utf-8")


def test_the_bars_of_grades_hold_the_chance_of_meeting_the_spec():
    made = Study.from_dict(STUDIES["grade and pass"])
    design = plan(made)
    models = fit(made, made.results(readings(made, design.table), design=design))
    (formula,) = formulas(made, models, find(made, models).levels)
    feel, *others = formula.strips
    assert sum(feel.shares) == pytest.approx(1.0)
    assert sum(feel.shares[2:]) == pytest.approx(feel.chance, abs=1e-9)
    assert [one.shares for one in others] == [(), ()]
    assert "at least good" in strip_words(feel)
    heights = [float(h) for h in re.findall(r'<rect[^>]* height="([\d.]+)"', str(strip(feel)))]
    assert heights == pytest.approx([30 * share for share in feel.shares], abs=0.06)
