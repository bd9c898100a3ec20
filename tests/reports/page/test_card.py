"""The formula card: grams that add up, INCI names in descending order, no promise that is not ours."""

import re
from dataclasses import replace

import pytest

from reports.page import card


@pytest.fixture(scope="module")
def formula(job):
    return card.formula_card(job.study, job.models, job.best.levels, "F1")


def test_grams_add_up_to_the_batch(job, formula):
    document = card.document(job.study, formula, 20_000.0)
    assert sum(line["grams"] for line in document["lines"]) == pytest.approx(20_000)


def test_declaration_sums_one_name_over_materials_and_descends(job, formula):
    names = dict(formula.trade.names)
    blend = job.best.blend
    # Water stands as the fill and as two fifths of the wax.
    assert names["Aqua"] == pytest.approx(blend["Water"] + 0.4 * blend["Wax"])
    assert names["Cera Alba"] == pytest.approx(0.6 * blend["Wax"])
    assert list(names.values()) == sorted(names.values(), reverse=True)
    assert sum(names.values()) == pytest.approx(100)


def test_card_says_predicted_and_who_decides(job, formula):
    text = card.text(job.study, formula, 500.0)
    assert "qualified safety assessor" in text
    assert "Predicted chance" in text
    assert not {"safe", "preserved"} & set(text.lower().replace(",", " ").split())
    for response in ("Thickness", "Feel", "Cost"):
        assert response in text


def test_the_card_as_a_page(job, formula, tmp_path):
    path = tmp_path / "card.html"
    card.write_card(path, job.study, formula, 1000.0)
    text = path.read_text(encoding="utf-8")
    assert "Wet out &lt;the gum&gt;" in text
    assert "<script" not in text
    assert "default-src 'none'" in text
    assert re.search(r"Signature</span><span>Date</span>", text)
    for line in card.CAUTIONS:
        assert line.replace("'", "&#39;") in text


def test_the_card_scrolls_no_phone_and_begins_with_the_chance(job, formula, tmp_path, opened):
    path = tmp_path / "card.html"
    said = replace(formula, confirmed="all 3 confirmation batches came out as predicted and met every must")
    card.write_card(path, job.study, said, 1000.0)
    page = opened(path, viewport={"width": 390, "height": 844}, is_mobile=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    first, second = page.locator("h1 + p").inner_text(), page.locator("h1 + p + p").inner_text()
    assert first.startswith("Predicted chance")
    assert second == "All 3 confirmation batches came out as predicted and met every must."


def test_names_below_one_percent_stand_apart(job, formula):
    above, _, below = formula.trade.declared.partition("; below 1 %: ")
    shares = dict(formula.trade.names)
    assert all(shares[name] >= 1 for name in above.split(", "))
    assert below
    assert all(shares[name] < 1 for name in below.split(", "))


def test_the_card_gives_tolerances_composition_and_who_may_look_at_skin(job, formula):
    document = card.document(job.study, formula, 500.0)
    by_name = {line["name"]: line for line in document["lines"]}
    low, high = by_name["Wax"]["tolerance"]
    assert low <= by_name["Wax"]["level"] <= high
    # A number that does not exist says why and what to do.
    assert by_name["Water"]["tolerance"] == {"unavailable": "it takes up the rest", "do": "read the room of the others"}
    whole = {row["what"]: row["value"] for row in document["composition"]}
    # Water is the fill and two fifths of the wax; all else stays as residue.
    assert whole["Water in all"] == pytest.approx(by_name["Water"]["level"] + 0.4 * by_name["Wax"]["level"])
    assert whole["Water in all"] + whole["Dry residue"] == pytest.approx(100)
    assert "before a safety assessor has released it" in " ".join(document["cautions"])


@pytest.mark.parametrize(
    ("part", "key", "said"),
    [
        ("untold", "allergens_untold", "Allergens of Perfume are not given: ask the supplier for them"),
        ("unnamed", "names_untold", "No INCI name is given for Gum: their own names stand here"),
    ],
)
def test_what_a_label_lacks_is_said_everywhere(job, formula, tmp_path, part, key, said):
    unsure = replace(formula, trade=replace(formula.trade, **{part: said}))
    path = tmp_path / "card.html"
    card.write_card(path, job.study, unsure, 1000.0)
    assert said in path.read_text(encoding="utf-8")
    assert said in " ".join(card.text(job.study, unsure, 500.0).split())
    assert card.document(job.study, unsure, 500.0)[key] == said


@pytest.mark.parametrize("batch", [500.0, 20_000.0])
def test_tolerances_are_given_in_grams_of_the_batch_too(job, formula, batch):
    within = card.tolerances_by_name(job.study, formula, batch)
    text = card.text(job.study, formula, batch)
    lines = [line for line in formula.lines if line.tolerance is not None and line.role != "fill"]
    assert lines
    for line in lines:
        found = re.fullmatch(r"\S+ to \S+ \((\S+) to (\S+) g\)", within[line.name].replace("\u202f", ""))
        low, high = (float(end) for end in found.groups())
        ends = [end / job.study.total * batch for end in line.tolerance]
        level = line.level / job.study.total * batch
        # Inwards to the balance: never further than what was told.
        assert ends[0] - 1e-9 <= low <= level + 0.005 <= high + 0.01
        assert high <= ends[1] + 0.005
        assert low == pytest.approx(ends[0], abs=0.02)
        assert high == pytest.approx(ends[1], abs=0.02)
        assert within[line.name] in text
