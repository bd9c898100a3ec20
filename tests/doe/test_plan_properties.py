"""What every plan keeps, over regions drawn at random (invented)."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from doe import PlanError, Study, StudyError, Unavailable, plan

few = settings(max_examples=8, deadline=None, derandomize=True)


@st.composite
def studies(draw):
    """A study: a fill, two to four ingredients, now and then limits, ratios, steps, factors, materials."""
    count = draw(st.integers(2, 4))
    rows = [{"name": "Water", "qs": True}]
    for k in range(count):
        low = draw(st.integers(0, 8)) / 4
        row = {"name": f"I{k}", "low": low, "high": low + draw(st.integers(2, 20)) / 4}
        if draw(st.booleans()):
            row["step"] = draw(st.sampled_from([0.05, 0.1]))
        rows.append(row)
    study = {"study": {"name": "invented"}, "ingredient": rows, "limit": []}
    middle = {row["name"]: (row["low"] + row["high"]) / 2 for row in rows[1:]}
    kind = draw(st.sampled_from(["none", "linear", "ratio", "fixed ratio"]))
    if kind == "linear":
        study["limit"] = [{"rule": f"I0 + I1 <= {middle['I0'] + middle['I1']:g}"}]
    elif kind == "ratio":
        study["limit"] = [{"rule": f"I0 >= {middle['I0'] / middle['I1']:.3f} * I1"}]
    elif kind == "fixed ratio" and count > 2:
        study["limit"] = [{"rule": f"I0 = {middle['I0'] / middle['I1']:.3f} * I1"}]
        for row in rows:
            row.pop("step", None)
    if draw(st.booleans()):
        study["factor"] = [{"name": "Speed", "low": 100, "high": 300}]
    named = draw(st.sampled_from(["none", "category", "choice", "or none"]))
    if named == "category":
        study.setdefault("factor", []).append(
            {"name": "Way", "levels": ["dry", "wet", "hot"][: draw(st.integers(2, 3))]}
        )
    elif named != "none":
        # Materials with limits of their own, one of them at times with a limit that only holds for it.
        own, low, high = rows[1], rows[1]["low"], rows[1]["high"]
        half = (low + high) / 2
        if named == "or none":
            own["or_none"] = True
        own["choice"] = [{"name": "M1"}, {"name": "M2", "low": half if draw(st.booleans()) else low, "high": high}]
        if draw(st.booleans()):
            study["limit"].append({"rule": f"I0 + I1 <= {half + middle['I1']:g}", "when": "I0 is M1"})
    study["response"] = [{"name": "y", "aim": "watch"}]
    study["plan"] = {
        "model": "linear" if count == 4 or named != "none" else "quadratic",
        "criterion": draw(st.sampled_from(["I", "D"])),
        "seed": draw(st.integers(1, 9)),
        "replicate_batches": draw(st.integers(0, 2)),
    }
    return study


def made(source):
    try:
        study = Study.from_dict(source)
        return study, plan(study)
    except (StudyError, PlanError):
        # A region with no room, or none on its steps.
        return None, None


def obeyed(study, row):
    """Each bound and rule of the file by hand, with the material and the category that the recipe has."""
    for item in study.ingredients:
        if item.choice:
            material = row[f"material: {item.name}"]
            if material == "none":
                assert row[item.name] == 0
                continue
            one = next(m for m in item.choice if m.name == material)
            low, high = (own if own is not None else all_ for own, all_ in ((one.low, item.low), (one.high, item.high)))
            assert low - 1e-9 <= row[item.name] <= high + 1e-9
    for factor in study.category_factors:
        assert row[factor.name] in factor.levels
    for limit in study.limits:
        if limit.condition is not None and row[limit.condition[0]] not in limit.condition[1]:
            continue
        total = sum(weight * row[name] for name, weight in limit.weights.items())
        assert limit.low is None or total >= limit.low - 1e-9
        assert limit.high is None or total <= limit.high + 1e-9


@few
@given(source=studies())
def test_every_recipe_obeys_every_limit_and_sums_exactly(source):
    study, design = made(source)
    assume(design is not None)
    table = design.table
    assert np.abs(table[[i.name for i in study.ingredients]].sum(axis=1) - 100).max() < 1e-9
    levels = table[list(study.region.names)].to_numpy(dtype=float)
    assert study.region.contains(levels, chosen=study.region.chosen(table)).all()
    for row in table.to_dict("records"):
        obeyed(study, row)
    if not any(problem.code == "off-step" for problem in design.findings):
        for item in study.ingredients:
            if item.step:
                places = table[item.name].to_numpy(dtype=float) / item.step
                assert np.abs(places - np.round(places)).max() < 1e-6


@few
@given(source=studies())
def test_the_bracket_contains_the_efficiency(source):
    _, design = made(source)
    assume(design is not None)
    for key, value in (("d", design.quality.d_efficiency), ("i", design.quality.i_efficiency)):
        bracket = design.quality.best_possible[key]
        if not isinstance(bracket, Unavailable):
            assert 0 < bracket[0] <= value <= bracket[1] <= 1


@settings(max_examples=5, deadline=None, derandomize=True)
@given(source=studies(), data=st.data())
def test_the_order_of_ingredients_does_not_change_how_good_a_plan_is(source, data):
    _, one = made(source)
    assume(one is not None)
    _, other = made({**source, "ingredient": data.draw(st.permutations(source["ingredient"]))})
    assert other.quality.d_efficiency == pytest.approx(one.quality.d_efficiency, abs=1e-6)
    assert other.quality.i_efficiency == pytest.approx(one.quality.i_efficiency, abs=1e-6)


@settings(max_examples=2, deadline=None, derandomize=True)
@given(source=studies())
def test_same_seed_same_bytes(source):
    _, one = made(source)
    assume(one is not None)
    _, again = made(source)
    assert one.to_dict() == again.to_dict()
    assert one.digest == again.digest
