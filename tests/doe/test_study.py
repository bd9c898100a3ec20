"""A study as others use it: columns, whole recipes, roles, both totals, and every way in and out."""

import json
import pickle

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import Study, StudyError

WASH = """
[study]
name = "Invented hand wash"

[[ingredient]]
name = "Gum"
low = 0.3
high = 0.8

[[ingredient]]
name = "Water"
qs = true

[[ingredient]]
name = "Salt"
level = 0.1

[[ingredient]]
name = "Old oil"
withdrawn = true

[[ingredient]]
name = "Citric solution"
level = 0.7
adjusts = "pH"
made_of = { "Citric acid" = "10 %", Water = 0.9 }

[[factor]]
name = "Mill"
levels = ["fine", "coarse"]

[[factor]]
name = "Homogenise"
unit = "min"
low = 2
high = 8

[[response]]
name = "Viscosity"
unit = "mPa.s"
method = "rotational"
"""


def codes(text_or_dict):
    with pytest.raises(StudyError) as caught:
        Study.from_toml(text_or_dict) if isinstance(text_or_dict, str) else Study.from_dict(text_or_dict)
    return {p.code for p in caught.value.problems if p.level == "stop"}


def test_roles_columns_and_what_is_left_to_blend():
    study = Study.from_toml(WASH)
    assert study.columns == ("Gum", "Water", "Salt", "Old oil", "Citric solution", "Mill", "Homogenise")
    assert [i.name for i in study.varied] == ["Gum", "Water", "Old oil"]
    assert [i.name for i in study.fixed] == ["Salt", "Citric solution"]
    assert study.fill.name == "Water"
    assert study.blend_total == 99.2  # 100 - 0.1 - 0.7, without the dust of binary fractions
    assert [f.name for f in study.numeric_factors] == ["Homogenise"]
    assert [f.name for f in study.category_factors] == ["Mill"]
    assert study.ingredient("Citric solution").made_of == {"Citric acid": 0.1, "Water": 0.9}
    assert study.region.reach["Old oil"] == (0, 0)


def test_whole_recipes_from_what_varies():
    study = Study.from_toml(WASH)
    frame = pd.DataFrame({"Homogenise": [2, 8], "Gum": [0.3, 0.8], "Mill": ["fine", "coarse"]}, index=["T01", "T02"])
    before = frame.copy()
    whole = study.complete(frame)
    assert list(whole.columns) == list(study.columns)
    assert list(whole.index) == ["T01", "T02"]
    assert whole["Water"].tolist() == pytest.approx([98.9, 98.4])
    assert whole["Old oil"].tolist() == [0, 0]
    assert whole["Mill"].tolist() == ["fine", "coarse"]
    pd.testing.assert_frame_equal(frame, before)
    # A fixed ingredient that was off keeps what was weighed, and the fill gives way.
    assert study.complete(frame.assign(Salt=[0.1, 0.3]))["Water"].tolist() == pytest.approx([98.9, 98.2])


def test_what_a_frame_lacks_is_said_at_once():
    study = Study.from_toml(WASH)
    with pytest.raises(StudyError) as caught:
        study.complete(pd.DataFrame({"Gumm": [0.3], "Homogenise": ["five"]}))
    said = str(caught.value)
    assert "Gum: has no column" in said
    assert "did you mean Gumm?" in said
    assert "Mill: has no column" in said
    assert "Homogenise: came 'five'" in said


def test_no_rows_are_no_trouble():
    study = Study.from_toml(WASH)
    whole = study.complete(pd.DataFrame({"Gum": [], "Mill": [], "Homogenise": []}))
    assert whole.shape == (0, 7)


def proportions(**more):
    names = ("One", "Two", "Three")
    items = [{"name": n, "low": 0.1, "high": 0.8} for n in names]
    return {"study": {"name": "p", "total": 1, "unit": "fraction"}, "ingredient": items, **more}


def test_proportions_without_a_fill():
    study = Study.from_dict(proportions())
    assert study.fill is None
    assert study.blend_total == 1
    assert study.region.dimension == 2
    whole = study.complete(pd.DataFrame({"One": [0.2], "Two": [0.3], "Three": [0.5]}))
    assert whole.to_numpy().tolist() == [[0.2, 0.3, 0.5]]


def test_factors_only():
    study = Study.from_dict({"study": {"name": "f"}, "factor": [{"name": "Heat", "low": 20, "high": 80}]})
    assert study.varied == ()
    assert study.blend_total is None
    assert study.columns == ("Heat",)
    assert study.region.names == ("Heat",)
    assert study.complete(pd.DataFrame({"Heat": [30.0]}))["Heat"].tolist() == [30.0]


def test_a_fixed_recipe_with_factors():
    study = Study.from_toml(
        '[study]\nname = "f"\n[[ingredient]]\nname = "Water"\nqs = true\n[[ingredient]]\nname = "Salt"\nlevel = 3\n'
        '[[factor]]\nname = "Heat"\nlow = 20\nhigh = 80\n[[limit]]\nrule = "Heat - Water <= -30"\n'
    )
    assert study.varied == ()
    # Water is always 97, so Heat <= 67.
    assert study.region.reach["Heat"] == pytest.approx((20, 67))
    assert study.complete(pd.DataFrame({"Heat": [30.0]}))["Water"].tolist() == [97.0]


def test_numbers_of_numpy_and_tuples_are_taken():
    source = proportions()
    source["ingredient"][0]["low"] = np.float64(0.2)
    source["plan"] = {"runs": np.int64(12), "terms": ("One", "Two", "Three")}
    source["response"] = [{"name": "y", "method": "m", "reads": np.array([1.0, np.inf])}]
    study = Study.from_dict(source)
    assert study.plan.runs == 12
    assert study.response("y").reads == (1.0, None)
    json.dumps(study.to_dict(), allow_nan=False)


def test_the_definition_that_came_in_is_not_changed():
    source = proportions(response=[{"name": "y", "method": "m", "reads": [1.0, np.inf]}])
    Study.from_dict(source)
    assert source["response"][0]["reads"] == [1.0, np.inf]
    study = Study.from_dict(source)
    study.to_dict()["study"]["name"] = "other"
    assert study.to_dict()["study"]["name"] == "p"


def test_a_study_travels_to_other_processes():
    study = Study.from_toml(WASH)
    again = pickle.loads(pickle.dumps(study))
    assert dict(again.digests) == dict(study.digests)
    with pytest.raises(TypeError):
        again.digests["tried"] = "0"


def test_it_shows_itself_shortly():
    study = Study.from_toml(WASH)
    assert len(repr(study)) < 200
    assert "Invented hand wash" in str(study)


def test_actives_count_where_a_limit_says_so():
    source = proportions(limit=[{"rule": "One + Two <= 0.4", "on": "active"}])
    source["ingredient"][0]["assay"] = "50 %"
    (limit,) = Study.from_dict(source).limits
    assert dict(limit.weights) == {"One": 0.5, "Two": 1.0}
    assert limit.high == 0.4


def test_a_ratio_with_two_ends_is_two_limits():
    study = Study.from_dict(proportions(limit=[{"rule": "1 <= One / Two <= 3"}]))
    assert [(dict(x.weights), x.low, x.high) for x in study.limits] == [
        ({"One": 1, "Two": -1}, 0, None),
        ({"One": 1, "Two": -3}, None, 0),
    ]
    inside = pd.DataFrame({"One": [0.3, 0.1, 0.7], "Two": [0.2, 0.3, 0.15], "Three": [0.5, 0.6, 0.15]})
    assert study.region.contains(inside.to_numpy()).tolist() == [True, False, False]


def test_a_ratio_over_what_may_be_nothing_is_told():
    source = proportions(limit=[{"rule": "One / Two >= 1"}])
    source["ingredient"][1]["low"] = 0
    assert "ratio-of-nothing" in {p.code for p in Study.from_dict(source).problems}
    source["ingredient"][1]["low"] = 0.1
    assert "ratio-of-nothing" not in {p.code for p in Study.from_dict(source).problems}


def test_grades_stand_for_numbers():
    response = {
        "name": "Feel", "method": "panel", "kind": "grade", "grades": ["poor", "fair", "good"],
        "aim": "above", "low": "Fair",
    }  # fmt: skip
    study = Study.from_dict(proportions(response=[response], reference=[{"name": "r", "measured": {"Feel": "good"}}]))
    assert study.response("Feel").low == 2
    assert study.references[0].measured["Feel"] == 3


def test_sums_may_be_written_as_text():
    response = {"name": "Fat", "from": "One + 0.5 * Two", "aim": "below", "high": 0.5}
    study = Study.from_dict(proportions(response=[response]))
    assert dict(study.response("Fat").source) == {"One": 1, "Two": 0.5}
    assert [r.name for r in study.exact_responses] == ["Fat"]


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"study": {"name": "p", "total": 1, "unit": "% w/w"}}, "unit-of-total"),
        ({"plan": {"must_make": [{"One": 0.9, "Two": 0.05, "Three": 0.05}]}}, "recipe-outside"),
        ({"plan": {"must_make": [{"One": 0.9}]}}, "missing-level"),
        (
            {"response": [{"name": "y", "method": "m", "reads": [10, 20], "aim": "above", "low": 5}]},
            "limit-not-readable",
        ),
        ({"response": [{"name": "y", "method": "m", "sample_g": 600}]}, "batch-too-small"),
        ({"response": [{"name": "c", "from": "cost_per_kg"}]}, "no-price"),
        ({"response": [{"name": "c", "from": "cost_per_kg", "sd": 1}]}, "exact-not-measured"),
        ({"response": [{"name": "y", "method": "m", "aim": "watch", "must": True}]}, "watched-only"),
        ({"response": [{"name": "y", "method": "m", "aim": "watch", "high": 2}]}, "watched-only"),
        (
            {"factor": [{"name": "F", "levels": ["a", "b"]}], "limit": [{"rule": "One >= 1.5", "when": "F is a"}]},
            "empty-combination",
        ),
    ],
)
def test_what_does_not_stop_is_told(change, code):
    study = Study.from_dict(proportions(**change))
    assert code in {p.code for p in study.problems}
    assert code not in {p.code for p in Study.from_dict(proportions()).problems}


@pytest.mark.parametrize(
    ("low", "do"),
    [
        ("92 %", "write it without quotes and %: low = 92"),
        ("0,5", "write it without quotes: low = 0.5"),
        ("much", "write it as a number: low = 10"),
    ],
)
def test_a_limit_that_is_no_number_is_told_how_to_write(low, do):
    response = {"name": "y", "method": "m", "aim": "above", "low": low}
    with pytest.raises(StudyError) as refused:
        Study.from_dict(proportions(response=[response]))
    (problem,) = [p for p in refused.value.problems if p.code == "wrong-type"]
    assert problem.do == do


def test_missing_prices_are_named():
    source = proportions(response=[{"name": "c", "from": "cost_per_kg"}])
    source["ingredient"][1]["price_per_kg"] = 3
    (problem,) = [p for p in Study.from_dict(source).problems if p.code == "no-price"]
    assert "One, Three" in problem.got


def test_steps_that_do_not_reach_both_ends_are_told():
    source = proportions()
    source["ingredient"][0] |= {"low": 0.12, "step": 0.05}
    (problem,) = [p for p in Study.from_dict(source).problems if p.code == "step-does-not-fit"]
    assert "only from 0.15 to 0.8" in problem.got


def test_wrong_things_do_not_hide_each_other():
    source = proportions(response=[{"name": "y", "aim": "above"}], limit=[{"rule": "Fourth <= 1"}])
    source["ingredient"][0]["low"] = "much"
    source["study"]["totall"] = 5
    assert codes(source) == {"unknown-key", "wrong-type", "no-limit", "bad-rule"}


def test_an_empty_region_is_told_beside_the_rest():
    source = proportions(response=[{"name": "y", "aim": "above"}], limit=[{"rule": "One >= 0.7 + Two"}])
    source["ingredient"][2]["low"] = 0.3
    assert codes(source) == {"no-limit", "empty-region"}


def test_a_folder_without_a_study_is_refused(tmp_path):
    with pytest.raises(StudyError, match="cannot be read"):
        Study.read(tmp_path)
    (tmp_path / "study.toml").write_bytes(WASH.encode("utf-16"))
    with pytest.raises(StudyError, match="UTF-8"):
        Study.read(tmp_path)
    (tmp_path / "study.toml").write_bytes(b"\xef\xbb\xbf" + WASH.replace("\n", "\r\n").encode())
    assert Study.read(tmp_path).folder == tmp_path
    assert Study.read(tmp_path / "study.toml").folder == tmp_path


def test_brackets_without_end_are_refused():
    assert codes("x = " + "[" * 20_000) == {"bad-toml"}
    deep = []
    for _ in range(5000):
        deep = [deep]
    assert codes({"study": {"name": deep}}) == {"bad-toml"}


names = st.text(st.sampled_from("abcXYZ é-ß 12()/'"), min_size=2, max_size=8).map(lambda s: " ".join(("N" + s).split()))
levels = st.floats(0, 40).map(lambda v: round(v, 2))


@st.composite
def definitions(draw):
    chosen = draw(st.lists(names, min_size=2, max_size=6, unique_by=lambda s: s.casefold()))
    items = [{"name": "Fill of water", "qs": True}]
    for name in chosen[1:]:
        low, high = sorted((draw(levels), draw(levels)))
        items.append({"name": name, "low": low / len(chosen), "high": high / len(chosen)})
    factor = {"name": chosen[0], "low": draw(levels) - 41, "high": draw(levels) + 1}
    response = {"name": "Response of it", "scale": draw(st.sampled_from(["linear", "log"])), "sd": "7 %"}
    return {"study": {"name": "made up"}, "ingredient": items, "factor": [factor], "response": [response]}


@given(definitions())
def test_definitions_round_trip(source):
    study = Study.from_dict(source)
    again = Study.from_dict(json.loads(json.dumps(study.to_dict())))
    assert again.to_dict() == study.to_dict() == source
    assert dict(again.digests) == dict(study.digests)
    assert again.ingredients == study.ingredients
    assert again.problems == study.problems


def test_a_file_too_big_to_be_a_study_is_not_read(tmp_path):
    (tmp_path / "study.toml").write_text("#" * 2_100_000, encoding="utf-8")
    with pytest.raises(StudyError, match="at most 2 MB") as caught:
        Study.read(tmp_path)
    assert [problem.code for problem in caught.value.problems] == ["too-big"]


def test_a_section_that_stands_there_thousands_of_times_is_no_study():
    text = "".join(f'[[ingredient]]\nname = "i{n}"\nlow = 0\nhigh = 1\n' for n in range(501))
    with pytest.raises(StudyError, match="at most 500") as caught:
        Study.from_toml('[study]\nname = "x"\n' + text)
    assert "too-many" in [problem.code for problem in caught.value.problems]
