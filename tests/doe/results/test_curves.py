"""Quantities taken from the curves of batches, from the table as read to what a fit sees. Laws are closed forms."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.problems import StudyError
from doe.results.curves import observed
from doe.results.missing import missing
from doe.results.oddities import odd
from doe.results.results import take_in
from doe.trade.flow import fit_flow

RATES = [0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0]
CURVE = {
    "name": "Flow curve", "unit": "Pa.s", "kind": "curve", "against": "shear rate", "at": RATES,
    "method": "cone and plate, 25 C",
}  # fmt: skip
TAKEN = [
    {"name": "Yield", "unit": "Pa", "from": "yield_value", "of": "Flow curve", "aim": "above", "low": 3},
    {"name": "Rest", "unit": "mPa.s", "from": "low_shear_viscosity", "of": "Flow curve", "at": 0.1, "scale": "log"},
    {"name": "Index", "from": "flow_index", "of": "Flow curve"},
    {"name": "K", "from": "consistency", "of": "Flow curve"},
]
BLEND = [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.2, "high": 0.8}]


def study(*responses, curve=CURVE):
    return Study.from_dict({"study": {"name": "Invented"}, "ingredient": BLEND, "response": [curve, *responses]})


def table(laws, rates=RATES, name="Flow curve", of=lambda tau, k, n, x: (tau + k * x**n) / x):
    rows = [
        {"trial": f"T{i:02d}", "Gum": 0.2 + 0.1 * i, "response": name, "speed": x, "value": of(*law, x)}
        for i, law in enumerate(laws, 1)
        for x in rates
    ]
    return pd.DataFrame(rows)


STUDY = study(*TAKEN)
LAWS = [(4.0, 2.0, 0.5), (6.0, 2.5, 0.45), (0.0, 3.0, 0.4)]
RESULTS = STUDY.results(table(LAWS))


def seen(name, results=RESULTS, of=STUDY):
    return observed(of, results, of.response(name))


def test_what_is_taken_is_fitted_and_what_is_read_is_asked_for():
    assert [r.name for r in STUDY.fitted_responses] == ["Yield", "Rest", "Index", "K"]
    assert [r.name for r in STUDY.measured_responses] == ["Flow curve"]
    assert not STUDY.exact_responses


def test_each_batch_gives_one_value_found_again_from_its_curve():
    frame, said = seen("Yield")
    assert list(frame.index) == ["T01-1", "T02-1", "T03-1"]
    assert list(frame["value"])[:2] == pytest.approx([4.0, 6.0], rel=1e-6)
    assert list(frame["bound"]) == ["none", "none", "below"]  # a power law: no more than what the curve leaves open
    assert frame["value"].iloc[2] < 1e-4
    assert [p.code for p in said] == ["curve-law"]
    assert "Herschel-Bulkley in 2 (T01-1, T02-1); power law in 1 (T03-1)" in said[0].got
    assert list(seen("Index")[0]["value"]) == pytest.approx([0.5, 0.45, 0.4], rel=1e-6)
    assert list(seen("K")[0]["value"]) == pytest.approx([2.0, 2.5, 3.0], rel=1e-6)
    # (4 + 2 * 0.1^0.5) / 0.1 Pa.s, in mPa.s
    assert seen("Rest")[0]["value"].iloc[0] == pytest.approx(1000 * (4 + 2 * 0.1**0.5) / 0.1, rel=1e-6)


def test_stress_and_viscosity_in_any_unit_give_the_same():
    in_cp = study(*TAKEN, curve=CURVE | {"unit": "cP"})
    stress = study(*TAKEN, curve=CURVE | {"unit": "Pa"})
    as_cp = table(LAWS, of=lambda tau, k, n, x: 1000 * (tau + k * x**n) / x)
    as_stress = table(LAWS, of=lambda tau, k, n, x: tau + k * x**n)
    for one, frame in ((in_cp, as_cp), (stress, as_stress)):
        assert list(seen("Yield", one.results(frame), one)[0]["value"])[:2] == pytest.approx([4.0, 6.0], rel=1e-6)


def test_a_short_curve_and_a_rate_below_it_are_said():
    short = STUDY.results(table(LAWS[:2], rates=RATES[:2]))
    frame, said = seen("Yield", short)
    assert frame.empty
    assert [p.code for p in said] == ["curve-short"]
    high = STUDY.results(table(LAWS[:2], rates=[1.0, 2.0, 5.0, 10.0, 20.0, 50.0]))
    codes = [p.code for p in seen("Rest", high)[1]]
    assert codes == ["curve-law", "curve-outside"]


def test_readings_that_are_bounds_or_not_to_be_used_are_no_points():
    frame = table(LAWS[:1]).astype(object)
    frame["flag"], frame["note"] = "", ""
    frame.loc[0, "value"] = ">30"
    frame.loc[1, ["flag", "note", "value"]] = ["do not use", "jar was knocked", 1.0]
    frame.loc[len(frame)] = frame.loc[2].to_dict() | {"speed": "0.5", "value": (4 + 2 * 0.5**0.5) / 0.5}
    found, said = seen("Yield", STUDY.results(frame))
    assert found["value"].iloc[0] == pytest.approx(4.0, rel=1e-6)
    assert ("curve-points", "points of Flow curve left out: 1 of T01-1") in [(p.code, p.got) for p in said]


def test_a_settling_rate_is_the_slope_against_time():
    layer = CURVE | {"name": "Layer", "unit": "mm", "against": "time", "at": [1, 2, 4, 7]}
    settling = {"name": "Settling", "unit": "mm/day", "from": "settling_rate", "of": "Layer"}
    both = study(settling, curve=layer)
    rows = table([(0.3, 1.2, 1)], rates=[1, 2, 4, 7], name="Layer", of=lambda start, rate, _, x: start + rate * x)
    assert seen("Settling", both.results(rows), both)[0]["value"].iloc[0] == pytest.approx(1.2, rel=1e-12)


def test_a_settling_rate_of_a_flow_curve_is_that_of_stokes():
    """d^2 drho g / (18 eta): 500 um, 60 kg/m3 lighter, at 10 Pa.s, is 71 mm a day (trade notes K23, calculated)."""
    beads = {"name": "Beads", "level": 2.0, "density": 0.94, "d50_um": 300, "d90_um": 500}
    taken = {"name": "Rising", "unit": "mm/day", "from": "settling_rate", "of": "Flow curve", "at": 0.1}
    blend = [BLEND[0] | {"density": 1.0}, BLEND[1], beads]
    scrub = Study.from_dict({"study": {"name": "Invented"}, "ingredient": blend, "response": [CURVE, taken]})
    frame = table([(0.0, 10.0, 1.0)]).assign(Beads=2.0)
    found, _ = seen("Rising", scrub.results(frame), scrub)
    assert found["value"].iloc[0] == pytest.approx((500e-6) ** 2 * 60 * 9.80665 / (18 * 10) * 86400 * 1000, rel=1e-9)
    assert found["value"].iloc[0] == pytest.approx(71, abs=0.5)


@pytest.mark.parametrize(
    "curve, taken, words",
    [
        (CURVE, {"from": "yield_value"}, "not said of which curve"),
        (CURVE, {"from": "low_shear_viscosity", "of": "Flow curve", "unit": "Pa.s"}, "not said at which shear rate"),
        (CURVE, {"from": "yield_value", "of": "Flow curve", "unit": "mm"}, "is in mm, and yield_value is in Pa"),
        (CURVE | {"against": "rpm"}, {"from": "yield_value", "of": "Flow curve", "unit": "Pa"}, "not against shear"),
        (CURVE | {"unit": "mm"}, {"from": "flow_index", "of": "Flow curve"}, "is in mm, not in mPa.s"),
        (CURVE, {"from": "settling_rate", "of": "Flow curve"}, "not said at which low shear rate"),
        (
            CURVE,
            {"from": "settling_rate", "of": "Flow curve", "at": 0.1, "unit": "mm/day"},
            "needs density of the fill",
        ),
        (CURVE, {"from": "settling_rate", "of": "Flow curve", "at": 0.1, "unit": "mm"}, "in mm, and a settling rate"),
        (CURVE, {"from": "hold_margin", "of": "Flow curve"}, "a hold margin needs density"),
        (CURVE, {"from": "yield_valu", "of": "Flow curve"}, "did you mean yield_value"),
        (CURVE | {"aim": "above", "low": 3}, {"from": "flow_index", "of": "Flow curve"}, "no single value to aim at"),
    ],
)
def test_what_cannot_be_taken_is_refused_in_words(curve, taken, words):
    with pytest.raises(StudyError, match=words):
        study({"name": "Taken", **taken}, curve=curve)


def test_a_flow_index_needs_no_shear_rate():
    """n = 1 + d ln(eta) / d ln(rpm): the constant from rpm to shear rate drops out."""
    spindle = study({"name": "Index", "from": "flow_index", "of": "Flow curve"}, curve=CURVE | {"against": "rpm"})
    found = seen("Index", spindle.results(table([(0.0, 3.0, 0.4)])), spindle)[0]
    assert found["value"].iloc[0] == pytest.approx(0.4, rel=1e-9)


def test_a_stress_that_falls_with_the_rate_gives_nothing_and_is_said():
    """In simple shear the stress of a stable flow does not fall with the rate (Yerushalmi et al. 1970, from memory)."""
    falling = [(0.0, 20.0, -0.3), (4.0, 2.0, 0.5), (0.0, 3.0, 1.4)]  # falls, as it should be, thickens with shear
    results = STUDY.results(table(falling))
    for name in ("Yield", "Rest", "Index", "K"):
        frame, said = seen(name, results)
        assert list(frame.index) == ["T02-1", "T03-1"]
        assert (said[0].code, said[0].level) == ("curve-falls", "warn")
        assert "the stress of Flow curve falls as the rate rises in T01-1" in said[0].got
    assert "curve-falls" in {p.code for p in odd(STUDY, results)}


def test_a_break_at_the_high_end_is_a_fall_too_and_scatter_is_none():
    rows = table(LAWS[:2])
    rows.loc[(rows["trial"] == "T01") & (rows["speed"] == 100.0), "value"] *= 0.4  # thrown out of the gap
    rows.loc[(rows["trial"] == "T02") & (rows["speed"] == 0.3), "value"] *= 0.97
    frame, said = seen("Yield", STUDY.results(rows))
    assert list(frame.index) == ["T02-1"]
    assert said[0].code == "curve-falls"


def test_five_rates_are_said_to_show_no_yield_value():
    frame, said = seen("Yield", STUDY.results(table(LAWS[:1], rates=RATES[:5])))
    assert list(frame["bound"]) == ["below"]
    assert ("curve-short", "readings at 6 or more rates") in [(p.code, p.allowed) for p in said]


@pytest.mark.parametrize(
    "rates, taken, words",
    [
        (RATES[:5], TAKEN[0], "read at 5 rates, from which no yield value shows; 6 or more different rates"),
        (None, TAKEN[0], "does not say at which rates it is read; 6 or more"),
        ([1, 2, 4, 8, 16, 32], TAKEN[0], "from 1 to 32 1/s, which shows a yield value only roughly"),
        (RATES[:2], TAKEN[2], "read at 2 rates, from which no flow index shows; 3 or more"),
        ([1, 3, 10], TAKEN[1], "0.1 1/s is below the lowest rate of Flow curve, 1"),
    ],
)
def test_the_study_says_beforehand_which_rates_are_wanted(rates, taken, words):
    curve = {key: value for key, value in CURVE.items() if key != "at"} | ({"at": rates} if rates else {})
    said = [p for p in study(taken, curve=curve).problems if p.code == "curve-rates"]
    assert [words in str(p) for p in said] == [True]
    assert not [p for p in STUDY.problems if p.code == "curve-rates"]


def test_how_uncertain_the_values_are_is_said_with_its_size():
    rows = table(LAWS[:2])
    rows["value"] *= [1.0 + 0.04 * (-1) ** n for n in range(len(rows))]  # invented scatter, within what is no fall
    frame, said = seen("Rest", STUDY.results(rows))
    told = next(p for p in said if p.code == "curve-uncertain")
    flow = fit_flow(np.array(RATES), rows["value"].to_numpy()[:7] * RATES)
    # The delta method by hand: a small step in each parameter of the law.
    step, base = 1e-6, np.array([flow.index, flow.consistency, flow.yield_value])
    law = lambda p: np.log(p[2] + p[1] * 0.1 ** p[0])  # noqa: E731
    slopes = np.array([(law(base + step * e) - law(base - step * e)) / (2 * step) for e in np.eye(3)])
    assert flow.relative_error(0.1) == pytest.approx(np.sqrt(slopes @ flow.covariance @ slopes), rel=1e-6)
    assert f"T01-1 {100 * flow.relative_error(0.1):.2g} %" in told.got
    assert "same weight" in told.do
    assert len(frame) == 2


def test_a_curve_is_missing_until_it_is_read_at_all_its_rates():
    levels = pd.DataFrame({"Water": [99.7, 99.6], "Gum": [0.3, 0.4]}, index=["T01", "T02"])
    runs = pd.DataFrame({"order": [1, 2], "block": None, "whole_plot": None, "replicate_of": None}, index=levels.index)
    plan = SimpleNamespace(round=1, digest="0" * 64, study_digests={}, table=levels, runs=runs)
    some = table(LAWS[:2]).drop(columns="Gum").iloc[:-1]  # the last rate of T02 is not there
    waits = missing(STUDY, [plan], take_in(STUDY, some, design=plan))
    assert [(one.batch, one.responses) for one in waits] == [("T02-1", ("Flow curve",))]


def test_a_hold_margin_is_the_yield_value_over_what_just_holds_the_largest_bead():
    """Beris et al. (1985), J. Fluid Mech. 158, 219-244: 0.143/3 of net density times g d just holds a sphere."""
    beads = {"name": "Beads", "level": 2.0, "density": 0.898, "d50_um": 500, "d90_um": 800}
    wanted = {"name": "Margin", "from": "hold_margin", "of": "Flow curve", "aim": "above", "low": 5}
    made = Study.from_dict(
        {"study": {"name": "Invented"}, "ingredient": [*BLEND, beads], "response": [CURVE, wanted, TAKEN[0]]}
    )
    frame, _ = seen("Margin", made.results(table(LAWS).assign(Beads=2.0)), made)
    held = 0.143 / 3 * 100.0 * 9.80665 * 800e-6  # water has 0.998 g/ml
    assert frame["value"].iloc[:2].to_numpy() == pytest.approx([4.0 / held, 6.0 / held], rel=1e-6)
    assert frame["bound"].tolist() == ["none", "none", "below"]
