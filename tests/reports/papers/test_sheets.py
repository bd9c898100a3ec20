"""Batch sheets: what stands on them; nothing of a user's is markup, the page loads nothing. Data invented."""

import re
from types import SimpleNamespace

import pandas as pd
import pytest

from doe import Study
from reports.papers.cautions import cautions
from reports.papers.measuring import centrifuge, sample_budget
from reports.papers.sheets import sheets_html, write_sheets

SOURCE = {
    "study": {"name": "<b>Balm & Co</b>", "batch_g": 400, "batches_per_day": 1},
    "balance": [{"name": "bench", "step_g": 0.01, "repeat_g": 0.01, "max_g": 4000}],
    "ingredient": [
        {"name": "Water", "qs": True, "phase": "A"},
        {"name": "Gum", "low": 0.0, "high": 0.8, "phase": "B"},
        {"name": "Wax", "low": 2, "high": 6, "phase": "A"},
        {"name": "Lye", "level": 0.5, "adjusts": "pH"},
    ],
    "factor": [{"name": "Stirring", "unit": "min", "low": 2, "high": 8, "hard_to_change": True}],
    "response": [
        {"name": "Viscosity", "unit": "mPa.s", "method": "spindle <5>", "reads": [2000, 200000], "after_h": 24,
         "sample_g": 300},
        {"name": "pH", "method": "meter", "sample_g": 30},
    ],
    "step": [{"does": "melt", "takes": ["A"], "temp_c": [70, 75], "minutes": 10, "gate": "clear"},
             {"does": "stir for {Stirring}"}],
    "make": {"loss": "5 %", "make_up": True, "retain_g": 60},
}  # fmt: skip
STUDY = Study.from_dict(SOURCE)
PLAN = SimpleNamespace(
    round=1,
    digest="0123456789abcdef" * 4,
    study_digests={},
    make_first=("T02",),
    table=pd.DataFrame(
        [[95.3333, 0.1667, 4.0, 0.5, 5.0], [93.5, 0.0, 6.0, 0.5, 2.0]],
        index=["T01", "T02"],
        columns=["Water", "Gum", "Wax", "Lye", "Stirring"],
    ),
    runs=pd.DataFrame(
        {"order": [2, 1], "block": ["Monday", None], "whole_plot": None, "replicate_of": None}, index=["T01", "T02"]
    ),
)
PAGE = sheets_html(STUDY, PLAN)
PLAN_WITH_BEADS = SimpleNamespace(
    **(vars(PLAN) | {"table": PLAN.table.assign(Beads=1.0, Water=PLAN.table["Water"] - 1)})
)


def test_one_page_a_trial_in_the_order_of_making():
    assert re.findall(r'<section class="page" id="(T\d+)">', PAGE) == ["T02", "T01"]
    assert "batch 2 of 2, day 2, block Monday" in PAGE
    assert PAGE.count("Plan 0123456789ab") == 2


def test_a_step_that_names_a_factor_says_the_level_of_its_trial():
    assert re.findall(r"stir for (\d min)", PAGE) == ["2 min", "5 min"]


def test_the_page_is_text_and_loads_nothing():
    assert "default-src 'none'" in PAGE
    assert "&lt;b&gt;Balm &amp; Co&lt;/b&gt;" in PAGE
    assert "<b>Balm" not in PAGE
    assert "spindle &lt;5&gt;" in PAGE
    assert not re.search(r"<script|https?:|url\(|@import|src=", PAGE)


def test_targets_are_printed_so_that_they_add_up():
    first = PAGE.split('id="T01"')[1]
    printed = [float(text) for text in re.findall(r'class="n t">([0-9.]+)<', first)]
    *lines, total = printed
    assert total == 400
    assert sum(lines) == pytest.approx(400, abs=1e-9)


def test_an_ingredient_that_stays_out_says_so_and_a_small_one_has_a_way_out():
    assert "none in this trial" in PAGE.split('id="T02"')[1].split("</section>")[0]
    # 0.1667 % of 400 g is 0.67 g; this balance weighs 2 g and more within 1 %: 2 * 0.01 / 0.01.
    assert "Gum 0.67 g" in PAGE
    assert "the least that bench weighs within 1 %" in PAGE


def test_what_the_trial_needs_is_there():
    for words in ("70–75 °C · 10 min", "clear", "go on when", "weight then g", "pH before", "Lye g", "24 h",
                  "2000 to 200000", "Phase A", "initials, time", "lot", "set anew, also if"):  # fmt: skip
        assert words in PAGE, words


def test_sample_budget_adds_up_or_says_what_is_short():
    fits = "Viscosity 300 g + pH 30 g + kept sample 60 g = 390 g of 400 g; 10 g left for the walls."
    assert sample_budget(STUDY) == fits
    short = Study.from_dict(SOURCE | {"study": SOURCE["study"] | {"batch_g": 380}})
    assert "10 g short" in sample_budget(short)


def test_what_boils_off_and_is_not_made_up_is_not_there_to_test():
    lost = Study.from_dict(SOURCE | {"make": {"loss": "5 %", "retain_g": 60}})
    # 400 g less 5 % is 380 g.
    assert "= 390 g of 380 g, what 400 g are after boiling off: 10 g short" in sample_budget(lost)


def test_cautions_defer_to_local_rules_and_promise_nothing():
    said = " ".join(cautions(STUDY))
    for words in ("burn", "corrosive", "safety assessor", "local rules"):
        assert words in said
    assert not re.search(r"\bis safe\b|\bpreserved\b", PAGE)


def test_cautions_speak_only_of_what_the_study_has():
    assert "reservative" not in " ".join(cautions(STUDY))
    assert "challenge test" not in " ".join(cautions(STUDY))
    kept = {"name": "Keeper", "level": 0.9, "inci": "Phenoxyethanol"}
    scented = {"name": "Scent", "level": 0.2, "inci": "Parfum"}
    source = SOURCE | {"ingredient": [*SOURCE["ingredient"][:3], kept, scented], "step": []}
    said = " ".join(cautions(Study.from_dict(source)))
    for words in ("Preservatives can sensitise", "challenge test", "allergens"):
        assert words in said
    for words in ("Hot", "corrosive"):
        assert words not in said
    press = Study.from_dict({"study": {"name": "Press"}, "factor": SOURCE["factor"], "response": SOURCE["response"]})
    assert cautions(press) == ("Safety data sheets and your local rules come before this sheet.",)


def test_a_centrifuge_has_its_force_on_the_sheet():
    spun = {"name": "Spun", "method": "centrifuge, 3000 rpm, r 10 cm, 30 min"}
    # 1.118e-5 * 10 * 3000^2 = 1006.2
    assert centrifuge(Study.from_dict(SOURCE | {"response": [spun]}).response("Spun")).startswith(
        "3000 rpm at 10 cm is 1006 x g"
    )
    open_ended = {"name": "Spun", "method": "centrifuge, 30 min"}
    said = centrifuge(Study.from_dict(SOURCE | {"response": [open_ended]}).response("Spun"))
    assert said.startswith("r = ____ cm, n = ____ rpm; x g = 1.118 × 10⁻⁵ × r × n²")
    assert centrifuge(STUDY.response("pH")) == ""


def test_a_curve_has_a_blank_for_each_of_its_rates():
    curve = {"name": "Flow", "unit": "Pa", "kind": "curve", "against": "shear rate", "at": [0.1, 10], "method": "cone"}
    taken = {"name": "Yield", "unit": "Pa", "from": "yield_value", "of": "Flow"}
    page = sheets_html(Study.from_dict(SOURCE | {"response": [curve, taken]}), PLAN)
    assert page.count("<span>at 0.1 1/s</span><span>at 10 1/s</span>") == 2
    assert "<td>Yield" not in page


def test_what_practice_advises_against_stands_on_the_sheet():
    hot = {"name": "Beads", "level": 1.0, "phase": "A", "melts_c": 60, "d50_um": 500}
    page = sheets_html(Study.from_dict(SOURCE | {"ingredient": [*SOURCE["ingredient"], hot]}), PLAN_WITH_BEADS)
    assert "Beads melts at 60 C, and is at up to 75 C" in page


def test_every_page_of_a_trial_has_a_head():
    assert PAGE.count(", continued: round 1, plan 0123456789ab, &lt;b&gt;Balm &amp; Co&lt;/b&gt;</div></th>") == 2


def test_the_same_plan_gives_the_same_bytes(tmp_path):
    write_sheets(tmp_path / "sheets.html", STUDY, PLAN)
    assert (tmp_path / "sheets.html").read_bytes() == sheets_html(STUDY, PLAN).encode()


def test_a_study_of_factors_only_has_sheets_too():
    study = Study.from_dict(
        {"study": {"name": "Press"}, "factor": SOURCE["factor"], "response": SOURCE["response"][1:]}
    )
    plan = SimpleNamespace(**(vars(PLAN) | {"table": PLAN.table[["Stirring"]]}))
    page = sheets_html(study, plan)
    assert "Stirring <b>5 min</b>" in page
    assert "<h2>Weigh" not in page
    assert "adjuster" not in page


def test_the_sheet_of_an_extreme_recipe_says_to_make_it_first():
    first, second = PAGE.split('<section class="page"')[1:3]
    assert "make it first" in first
    assert "make it first" not in second


def test_on_a_phone_only_a_table_scrolls(opened, tmp_path):
    path = tmp_path / "sheets.html"
    write_sheets(path, STUDY, PLAN)
    page = opened(path, viewport={"width": 390, "height": 844}, is_mobile=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    ends = page.evaluate(
        "[...document.querySelectorAll('header, .blanks span, .notice, .small')].filter(e => !e.closest('table table'))"
        ".map(e => e.getBoundingClientRect().right)"
    )
    assert ends
    assert max(ends) <= 390
