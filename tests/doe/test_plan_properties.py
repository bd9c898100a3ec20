"""What every plan keeps, over regions drawn at random (invented)."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from doe import PlanError, Study, StudyError, Unavailable, plan

few = settings(max_examples=5, deadline=None, derandomize=True)


@st.composite
def studies(draw):
    """The sections of a study: a fill, two to four ingredients, now and then limits, fixed ratios, steps, a factor."""
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
    study["response"] = [{"name": "y", "aim": "watch"}]
    study["plan"] = {
        "model": "linear" if count == 4 else "quadratic",
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


@few
@given(source=studies())
def test_every_recipe_obeys_every_limit_and_sums_exactly(source):
    study, design = made(source)
    assume(design is not None)
    table = design.table
    assert np.abs(table[[i.name for i in study.ingredients]].sum(axis=1) - 100).max() < 1e-9
    assert study.region.contains(table[list(study.region.names)].to_numpy(dtype=float)).all()
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


@few
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
