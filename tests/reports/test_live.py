"""The live formula in a real browser: it agrees with the models, keeps to what was tried, and works by keys alone."""

import json
import re

import numpy as np
import pandas as pd
import pytest
from jobs import job_of, written
from playing import agrees, as_asked, code_levels, look_for_the_best, random_formulas, settle, told

from doe import Study
from doe.trade import TradeChecks
from doe.trade.live import live_checks
from optimise import find

pytestmark = pytest.mark.browser

CHOICES = """
[study]
name = "Two gums, invented"
batch_cost = 10

[[ingredient]]
name = "Water"
qs = true

[[ingredient]]
name = "Gum"
low = 0.2
high = 1.0
step = 0.05
use_low = 0.3
use_high = 0.9
or_none = true
choice = [{ name = "Xanthan A", price_per_kg = 18 }, { name = "Xanthan B", low = 0.4, high = 1.2, price_per_kg = 7 }]

[[ingredient]]
name = "Wax"
density = 0.95
d50_um = 300
low = 1
high = 5
price_per_kg = 9

[[factor]]
name = "Wetting"
levels = ["dry", "in humectant"]

[[limit]]
rule = "Wax + 3 * Gum <= 6"
when = "Gum is Xanthan A"

[[response]]
name = "Thickness"
unit = "mPa.s"
method = "invented"
scale = "log"
aim = "target"
low = 700
target = 1500
high = 4000
sd = "10 %"

[[response]]
name = "Lumps"
kind = "pass"
method = "invented"
aim = "above"
low = 1
must = true

[[response]]
name = "Gloss"
kind = "grade"
grades = ["dull", "soft", "bright"]
method = "invented"
aim = "above"
low = 2
must = false

[[response]]
name = "Share"
unit = "%"
method = "invented"
scale = "logit"
aim = "below"
high = 60

[[response]]
name = "Cost"
from = "cost_per_kg"
aim = "below"
high = 0.62

[[response]]
name = "Apart"
unit = "mm"
from = "bead_spacing"
of = "Wax"
aim = "watch"

[[response]]
name = "To hold"
unit = "Pa"
from = "yield_needed"
of = "Wax"
aim = "watch"

[plan]
model = "linear"
runs = 26
seed = 5
"""


def made(table):
    """A known surface with fixed scatter; what is graded and what passes follows from it."""
    gum, wax = (table[n].to_numpy(dtype=float) for n in ("Gum", "Wax"))
    strong = (table["material: Gum"] == "Xanthan B").to_numpy(dtype=float)
    rng = np.random.default_rng(8)
    thick = np.exp(6 + 1.8 * gum + 0.3 * strong + 0.1 * wax + 0.1 * rng.normal(size=len(table)))
    score = wax - 2 * gum + 0.8 * rng.normal(size=len(table))
    gloss = np.array(["dull", "soft", "bright"], dtype=object)[np.digitize(score, [0.5, 2.5])]
    passed = np.where(gum + 0.4 * rng.normal(size=len(table)) < 0.9, "pass", "fail")
    share = 100 / (1 + np.exp(0.8 - 0.3 * wax + 0.3 * rng.normal(size=len(table))))
    columns = {"Thickness": thick, "Lumps": passed, "Gloss": gloss, "Share": share}
    return pd.DataFrame(columns, index=table.index)


@pytest.fixture(scope="module")
def choices():
    return job_of(Study.from_toml(CHOICES), made)


@pytest.fixture(scope="module")
def sheet(job, tmp_path_factory):
    return written(job, tmp_path_factory.mktemp("live") / "report.html")


@pytest.fixture(scope="module")
def chosen_sheet(choices, tmp_path_factory):
    return written(choices, tmp_path_factory.mktemp("choices") / "report.html")


@pytest.mark.parametrize("which", ["sheet", "chosen_sheet"])
def test_it_agrees_with_the_models_on_two_hundred_random_formulas(which, request, opened):
    one = request.getfixturevalue("job" if which == "sheet" else "choices")
    page = opened(request.getfixturevalue(which))
    frame = random_formulas(one.study, 200)
    seen = told(page, frame)
    frame = as_asked(frame)
    agrees(one.models, frame, seen)
    checks = TradeChecks(one.study).each(one.study.complete(frame))
    live = {check.code for own in live_checks(one.study).values() for check in own}
    known = [sorted((p.code, p.where) for p in row if p.code in live) for row in checks]
    assert [sorted((code, where) for code, where, _ in row["trade"]) for row in seen] == known
    assert all("{v}" not in text for row in seen for *_, text in row["trade"])
    for name, exact in one.models.exact(frame).items():
        assert [row["responses"][name][0] for row in seen] == pytest.approx(exact.to_numpy(), rel=1e-12)


def test_the_sheet_takes_the_place_of_the_formula_as_found(sheet, opened, job):
    page = opened(sheet)
    assert page.locator("#live").is_visible()
    assert not page.locator(".as-found").first.is_visible()
    assert float(page.get_attribute("#live", "data-chance")) == pytest.approx(job.best.chance, abs=1e-9)
    page.emulate_media(media="print")
    assert page.locator(".as-found").first.is_visible()
    assert not page.locator("#live").is_visible()


@pytest.mark.parametrize("which", ["sheet", "chosen_sheet"])
def test_no_key_leads_out_of_what_was_tried(which, request, opened):
    one = request.getfixturevalue("job" if which == "sheet" else "choices")
    page = opened(request.getfixturevalue(which))
    bars = page.locator("#live [role=slider]")
    presses = ["End", "Home", "PageUp", "ArrowLeft", "End", "ArrowUp", "PageDown", "Home"]
    for turn in range(2):
        for i in range(bars.count()):
            for key in presses[turn::2]:
                bars.nth(i).press(key)
                settle(page)
                assert one.models.inside(code_levels(page, one.study)).all()
                ends = [float(bars.nth(i).get_attribute(f"aria-value{end}")) for end in ("min", "now", "max")]
                assert ends[0] - 1e-9 <= ends[1] <= ends[2] + 1e-9


def test_the_bar_ends_where_limits_or_the_fence_end(sheet, opened, job):
    page, region, fence = opened(sheet), job.study.region, job.models.fence
    x = job.best.levels.iloc[0][list(region.names)].to_numpy(dtype=float)
    column = region.names.index("Gum & co")
    way = np.zeros(len(x))
    way[column], way[region.names.index("Water")] = 1, -1
    least, most = (float(t[0]) for t in region.line_range(x, way))
    steps = np.linspace(least, most, 20001)
    inside = fence.inside(x + steps[:, None] * way, {})
    here = int(np.searchsorted(steps, 0.0))
    right = next((i for i in range(here, len(steps)) if not inside[i]), len(steps)) - 1
    bar = page.get_by_role("slider", name="Gum & co")
    assert float(bar.get_attribute("aria-valuemax")) == pytest.approx(x[column] + steps[right], abs=2e-4)


def test_keys_alone_move_a_level_and_all_numbers_follow(sheet, opened, job):
    page = opened(sheet)
    page.get_by_role("textbox", name="A batch of").focus()
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.getAttribute('role')") == "slider":
            break
    name = page.evaluate("document.getElementById(document.activeElement.getAttribute('aria-labelledby')).textContent")
    assert name.startswith("Water")
    for _ in range(3):
        page.keyboard.press("Tab")
    before = code_levels(page, job.study)
    key = "ArrowLeft" if before["Gum & co"][0] > 0.5 else "ArrowRight"
    page.keyboard.press(key)
    settle(page)
    after = code_levels(page, job.study)
    assert abs(after["Gum & co"][0] - before["Gum & co"][0]) == pytest.approx(0.05)
    assert after["Wax"][0] == before["Wax"][0]
    said = page.evaluate("document.activeElement.getAttribute('aria-valuetext')")
    assert said.startswith(f"{after['Gum & co'][0]:.2f}\u202f% w/w, {2 * after['Gum & co'][0]:.2f} g; may now go ")
    chance = float(page.get_attribute("#live", "data-chance"))
    assert chance == pytest.approx(float(job.models.chance(after).iloc[0]), abs=1e-9)


def test_a_typed_level_that_may_not_be_had_leaves_all_as_it_was_and_says_why(sheet, opened, job):
    page = opened(sheet)
    before = page.input_value(".live-code")
    level = page.get_by_role("textbox", name="Gum & co, % w/w")
    for name, wrong, why in (
        ("Gum & co", "77", "what was tried|4 \\* Gum|highest"),
        ("Water", "99", "is then at its lowest|tried"),
    ):
        page.get_by_role("textbox", name=f"{name}, % w/w").fill(wrong)
        page.get_by_role("textbox", name=f"{name}, % w/w").press("Tab")
        settle(page)
        said = page.inner_text(".live-status")
        assert f"{name} may not go to {wrong} now, only to " in said
        assert re.search(why, said), said
        assert page.input_value(".live-code") == before
    farthest = re.search(r"only to ([0-9.]+[0-9])", said)[1]
    page.get_by_role("textbox", name="Water, % w/w").fill(farthest)
    page.get_by_role("textbox", name="Water, % w/w").press("Tab")
    settle(page)
    assert "may not go" not in page.inner_text(".live-status")
    assert page.input_value(".live-code") != before
    assert job.models.inside(code_levels(page, job.study)).all()
    level.fill("much")
    level.press("Tab")
    settle(page)
    assert "is no number" in page.inner_text(".live-status")
    level.fill("0,45")
    level.press("Tab")
    settle(page)
    assert code_levels(page, job.study)["Gum & co"][0] == pytest.approx(0.45)


def test_dragging_and_touch_move_the_jar(sheet, opened, job):
    page = opened(sheet, has_touch=True)
    bar = page.get_by_role("slider", name="Wax")
    bar.scroll_into_view_if_needed()
    box = bar.bounding_box()
    before = code_levels(page, job.study)["Wax"][0]
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 10)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.45, box["y"] + 12, steps=4)
    page.mouse.up()
    settle(page)
    after = code_levels(page, job.study)["Wax"][0]
    assert after != before
    assert job.models.inside(code_levels(page, job.study)).all()
    page.get_by_role("button", name="Step back").click()
    settle(page)
    assert code_levels(page, job.study)["Wax"][0] == pytest.approx(before)
    page.touchscreen.tap(box["x"] + box["width"] * 0.45, box["y"] + 10)
    settle(page)
    assert code_levels(page, job.study)["Wax"][0] == pytest.approx(after, abs=0.2)


def test_what_gives_way_may_be_all_others_in_proportion(sheet, opened, job):
    page = opened(sheet)
    before = code_levels(page, job.study)
    page.get_by_label("all others, in proportion").check()
    page.get_by_role("slider", name="Gum & co").press("ArrowLeft")
    settle(page)
    after = code_levels(page, job.study)
    fill = [99.7 - frame["Gum & co"][0] - frame["Wax"][0] for frame in (before, after)]
    assert after["Gum & co"][0] < before["Gum & co"][0]
    assert after["Wax"][0] / fill[1] == pytest.approx(before["Wax"][0] / fill[0], rel=1e-4)


def test_the_best_of_the_rest_finds_back_what_python_found(chosen_sheet, opened, choices):
    page = opened(chosen_sheet)
    page.get_by_label("Gum: which material").select_option("none")
    page.get_by_role("slider", name="Wax").press("End")
    settle(page)
    low = float(page.get_attribute("#live", "data-chance"))
    look_for_the_best(page)
    high = float(page.get_attribute("#live", "data-chance"))
    assert low < choices.best.chance - 0.05
    assert high > choices.best.chance - 0.01
    assert choices.models.inside(code_levels(page, choices.study)).all()


def test_what_is_held_stays_in_a_search(sheet, opened, job):
    page = opened(sheet)
    page.get_by_role("slider", name="Wax").press("PageUp")
    settle(page)
    held = code_levels(page, job.study)["Wax"][0]
    page.get_by_role("button", name="hold Wax").click()
    page.get_by_role("slider", name="Wax").press("PageUp")
    settle(page)
    assert "is held" in page.inner_text(".live-status")
    look_for_the_best(page)
    found = code_levels(page, job.study)
    assert found["Wax"][0] == pytest.approx(held, abs=1e-6)
    best = find(job.study, job.models, hold={"Wax": held})
    assert float(page.get_attribute("#live", "data-chance")) > best.chance - 0.02


def test_limits_moved_are_what_if_and_never_kept(sheet, opened, job):
    page = opened(sheet)
    page.locator(".live-what-if summary").click()
    limit = page.get_by_role("textbox", name="Thickness: at least")
    limit.fill("4500")
    limit.press("Tab")
    settle(page)
    assert "what if" in page.inner_text(".live-strips")
    model = job.models["Thickness"]
    law = job.models.predictive("Thickness", job.best.levels)
    assert model.scale.name == "log"
    chance = float(law.chance(np.log(4500), np.log(9000))[0])
    assert float(page.get_attribute("#live", "data-chance")) == pytest.approx(chance, abs=1e-9)
    page.get_by_role("button", name="As in the brief").click()
    settle(page)
    assert float(page.get_attribute("#live", "data-chance")) == pytest.approx(job.best.chance, abs=1e-9)
    assert "what if" not in page.inner_text(".live-strips")


def test_a_code_brings_the_formula_back(sheet, opened, job):
    page = opened(sheet)
    page.get_by_role("slider", name="Wax").press("PageUp")
    settle(page)
    code = page.input_value(".live-code")
    page.wait_for_url(f"**#f={code}")
    again = opened(sheet, f"#f={code}")
    settle(again)
    chance = again.get_attribute("#live", "data-chance")
    assert float(chance) == pytest.approx(float(page.get_attribute("#live", "data-chance")), abs=1e-9)
    for wrong, says in (
        ("zzzz_1_2_3", "another study"),
        (code.split("_")[0] + "_1", "too few"),
        ("<img src=x>", "study"),
    ):
        again.fill(".live-code", wrong)
        again.press(".live-code", "Tab")
        settle(again)
        assert says in again.inner_text(".live-status")
        assert again.get_attribute("#live", "data-chance") == chance
    stray = opened(sheet, "#f=zzzz_0.5_9")
    settle(stray)
    assert stray.url.endswith(f"#f={stray.input_value('.live-code')}")
    assert "another study" in stray.inner_text(".live-status")
    assert "the address has its code again" in stray.inner_text(".live-status")


def test_formulas_stand_side_by_side_at_most_three_beside_the_sheet(sheet, opened):
    page = opened(sheet)
    said = []
    for key in ("ArrowUp", "ArrowUp", "ArrowUp", "ArrowDown"):
        page.get_by_role("slider", name="Wax").press(key)
        page.get_by_role("button", name="Set beside").click()
        settle(page)
        said.append(page.inner_text(".live-status"))
    assert "Yours 3 is set beside in place of Yours 2: 3 stand there at most. The code of Yours 2 is " in said[2]
    page.get_by_role("slider", name="Wax").press("ArrowUp")
    page.get_by_role("button", name="Set beside").click()
    settle(page)
    page.get_by_role("button", name="Set beside").click()
    settle(page)
    assert re.search("stands beside already, as Yours [0-9]", page.inner_text(".live-status"))
    heads = page.locator(".live-beside thead th")
    assert heads.count() == 4
    assert "F1" in heads.nth(1).inner_text()
    page.get_by_role("button", name="take up F1").click()
    settle(page)
    row = page.locator(".live-beside tbody tr").first.locator("td")
    assert row.nth(0).inner_text() == row.nth(1).inner_text()
    page.get_by_role("button", name="drop F1").click()
    settle(page)
    assert "F1" not in page.locator(".live-beside thead").inner_text()


def test_another_material_keeps_to_its_own_limits(chosen_sheet, opened, choices):
    page = opened(chosen_sheet)
    select = page.get_by_label("Gum: which material")
    for level in ("Xanthan B", "none", "Xanthan A", "Xanthan B"):
        select.select_option(level)
        settle(page)
        frame = code_levels(page, choices.study)
        assert frame["material: Gum"][0] == level
        assert (frame["Gum"][0] == 0) == (level == "none")
        assert choices.models.inside(frame).all()
        if level != "none":
            assert float(page.get_attribute("#live", "data-chance")) == pytest.approx(
                float(choices.models.chance(frame).iloc[0]), abs=1e-6
            )
    # A line that is held keeps its material, in a search and against a choice.
    select.select_option("none")
    settle(page)
    line = page.locator("#live .live-line", has=page.get_by_role("slider", name="Gum"))
    assert line.locator(".live-room").get_attribute("title") == "0 is its only level as things stand."
    page.get_by_role("button", name="hold Gum").click()
    look_for_the_best(page)
    assert code_levels(page, choices.study)["material: Gum"][0] == "none"
    select.select_option("Xanthan A")
    settle(page)
    assert "Gum is held" in page.inner_text(".live-status")
    assert select.input_value() == "none"
    page.get_by_role("button", name="held Gum").click()
    look_for_the_best(page)
    assert re.search("Gum is now Xanthan [AB], instead of none", page.inner_text(".live-status"))


def test_without_scripts_the_page_stands(sheet, opened):
    page = opened(sheet, java_script_enabled=False)
    assert page.locator(".as-found").first.is_visible()
    assert not page.locator("#live").is_visible()
    assert page.locator("h1").is_visible()
    assert page.locator(".strips svg").count() >= 3


def test_only_the_named_script_runs_and_data_cannot_break_out(sheet):
    text = sheet.read_text(encoding="utf-8")
    assert text.count("<script") == 2
    (data,) = re.findall(r'<script type="application/json" id="live-data">(.*?)</script>', text, re.DOTALL)
    assert not re.search(r"[<>&]", data)
    assert json.loads(data)["sheet"]["lines"][1]["name"] == "Gum & co"


def test_checks_of_the_trade_speak_of_the_formula_as_it_stands(chosen_sheet, opened, choices):
    page = opened(chosen_sheet)
    checks = TradeChecks(choices.study)
    for key in ("End", "Home", "PageUp"):
        page.get_by_role("slider", name="Wax").press(key)
        settle(page)
        recipe = choices.study.complete(code_levels(page, choices.study))
        told = {finding.where for finding in checks.each(recipe)[0] if finding.code == "use-range"}
        assert ("supplier's use range" in page.inner_text(".live-readout")) == bool(told)


HOSTILE = """
[study]
name = 'Hostile </script><img src=x onerror=alert(1)>'

[[factor]]
name = 'Speed <img src=x onerror=alert(1)>'
low = -1
high = 1

[[factor]]
name = 'زمن "الخلط" & 时间'
low = -1
high = 1

[[factor]]
name = "Blade"
levels = ["</option><b>anchor", "paddle"]

[[response]]
name = '<svg onload=alert(1)>'
unit = '"><i>u'
method = "invented"
aim = "within"
low = 3
high = 7
sd = 0.3

[plan]
model = "linear"
runs = 12
"""


def test_names_are_only_ever_text(opened, tmp_path):
    study = Study.from_toml(HOSTILE)

    def rising(table):
        scatter = [0.2 * ((7 * i) % 5 - 2) for i in range(len(table))]
        return pd.DataFrame({study.responses[0].name: 5 + table.iloc[:, 0].astype(float) + scatter})

    job = job_of(study, rising)
    page = opened(written(job, tmp_path / "hostile.html"))
    page.on("dialog", lambda dialog: pytest.fail(dialog.message))
    for bar in page.locator("#live [role=slider]").all():
        bar.press("End")
    page.get_by_role("button", name="Set beside").click()
    page.get_by_role("combobox", name="Blade").select_option("paddle")
    settle(page)
    assert page.locator("#live img, #live i, #live svg svg[onload]").count() == 0
    shown = page.locator(".live-name").all_inner_texts()
    assert [text.strip() for text in shown] == [factor.name for factor in study.factors]
    page.get_by_role("combobox", name="Blade").select_option("</option><b>anchor")
    settle(page)
    assert job.models.inside(code_levels(page, study)).all()
