"""What looks odd before a fit: each slip planted on purpose is found, and clean results say nothing. Data invented."""

import numpy as np
import pandas as pd
import pytest

from doe import Study
from doe.results.missing import missing
from doe.results.oddities import odd
from doe.results.results import take_in

STUDY = Study.from_dict(
    {
        "study": {"name": "Invented gel"},
        "ingredient": [
            {"name": "Water", "qs": True},
            {"name": "Gum", "low": 0.3, "high": 0.8},
            {"name": "Wax", "low": 1, "high": 6},
        ],
        "response": [
            {"name": "Viscosity", "unit": "mPa.s", "scale": "log", "sd": "8 %"},
            {"name": "pH", "sd": 0.05},
            {"name": "Spread", "unit": "score", "sd": 0.05},
            {"name": "Look", "kind": "grade", "grades": ["poor", "good"]},
        ],
    }
)
TRIALS = [f"T{n:02d}" for n in range(1, 11)]
GUM, WAX = np.linspace(0.3, 0.75, 10), np.tile([2.0, 4.0], 5)


class _Plan:
    round, digest, study_digests = 1, "d" * 64, STUDY.digests
    table = pd.DataFrame({"Water": 100 - GUM - WAX, "Gum": GUM, "Wax": WAX}, index=TRIALS)
    runs = pd.DataFrame({"order": range(1, 11), "replicate_of": [None] * 9 + ["T01"]}, index=TRIALS)


def table(**cells):
    """A clean table, with some cells changed: `Viscosity={3: 5}` is the reading of T04."""
    frame = pd.DataFrame(
        {"trial": TRIALS, "Viscosity": np.round(9000 * np.exp(2 * GUM)), "pH": np.round(5.6 - 0.02 * np.arange(10), 2)}
    )
    frame.loc[9, ["Viscosity", "pH"]] = frame.loc[0, ["Viscosity", "pH"]] + [300, 0.01]
    frame["Look"], frame["Spread"] = "good", frame["pH"]
    for name, changes in cells.items():
        column = name.replace("__", ": ")
        frame[column] = frame.get(column, pd.Series([None] * 10, dtype=object)).astype(object)
        for row, value in changes.items():
            frame.loc[row, column] = value
    return frame


def found(**cells):
    return {finding.code: str(finding) for finding in odd(STUDY, take_in(STUDY, table(**cells), design=_Plan))}


def test_clean_results_say_nothing():
    assert found() == {}


@pytest.mark.parametrize(
    "cells, code, words",
    [
        ({"Viscosity": {3: 20.1}}, "slip", "T04-1 20.1 (1000 times too little?)"),
        ({"Spread": {3: 55}}, "slip", "T04-1 55 (10 times too much?)"),
        ({"pH": {3: 14.6}}, "impossible", "no pH: T04-1 14.6"),
        ({"Viscosity": {4: 5.5}, "Spread": {4: 24000}}, "swapped", "Viscosity and Spread of T05-1"),
        ({"Viscosity": {4: 24000}, "pH": {4: 5.5}, "x": {}}, "", ""),
        ({"Viscosity": {9: 30000}}, "batches-apart", "T10-1 30000"),
        (
            {"Viscosity": {4: 24000, 5: 24000}, "pH": {4: 5.5, 5: 5.5}, "Spread": {4: 5.5, 5: 5.5}},
            "same-values",
            "T05-1 and T06-1",
        ),
        ({"lot__Gum": {0: "A", 1: "A", 2: "B"}}, "lot-change", "A in T01-1, T02-1; B in T03-1"),
        ({"lot__Gum": {0: "A", 1: "A"}}, "one-lot", "Gum"),
    ],
)
def test_planted_oddities_are_found(cells, code, words):
    cells.pop("x", None)
    seen = found(**cells)
    if code:
        assert words in seen[code]
    else:
        assert seen == {}


def test_readings_of_one_jar_far_apart():
    rows = table().loc[[0, 0]].assign(batch=1, reading=[1, 2])
    rows.iloc[1, rows.columns.get_loc("Viscosity")] = 26000.0
    assert "T01-1" in str(odd(STUDY, take_in(STUDY, rows, design=_Plan)))


def test_what_cannot_be_made_marks_a_part_of_the_region():
    seen = found(state={8: "unmakeable", 7: "failed"}, why={8: "set solid in the beaker", 7: "spilt"})
    assert "T09-1 unmakeable: set solid in the beaker" in seen["not-made"]
    assert "T08-1 failed: spilt" in seen["not-made"]
    assert "Gum" not in seen.get("edge-of-making", "")  # T10 had more gum and was made
    seen = found(state={8: "unmakeable", 9: "unmakeable"}, why={8: "set solid", 9: "set solid"})
    # T08 had 0.65 of gum and was made, T09 had 0.70: a limit belongs between.
    assert "at Gum of 0.7 or more (0.65 was made)" in seen["edge-of-making"]


def test_batches_made_out_of_turn():
    days = {n: f"2031-05-{10 + n // 4:02d}" for n in range(10)}
    assert "other-order" not in found(made_at=days)
    assert "T03-1" in found(made_at=days | {2: "2031-05-13"})["other-order"]
    seen = found(made_at=days | {0: "2031-05-14"})
    assert "T01-1" in seen["other-order"]


def test_what_is_missing_by_trial():
    results = take_in(STUDY, table().iloc[:9].assign(pH=[None, *[5.0] * 8]), design=_Plan)
    waits = missing(STUDY, [_Plan], results, withdrawn={"T10"})
    assert [one.to_dict() for one in waits] == [
        {"trial": "T01", "batch": "T01-1", "round": 1, "made": True, "responses": ["pH"]}
    ]
    waits = missing(STUDY, [_Plan], None)
    assert len(waits) == 10
    assert not waits[0].made
    said = take_in(STUDY, table(pH={0: "not measured"}), design=_Plan)
    assert missing(STUDY, [_Plan], said) == ()


def test_a_second_batch_without_papers_may_be_a_second_reading():
    # A repeat reading is not a replicate batch (Hurlbert 1984, pseudoreplication; from memory).
    rows = table().loc[[0, 0]].assign(batch=[1, 2], made_at=["2031-05-10", None])
    seen = {finding.code: str(finding) for finding in odd(STUDY, take_in(STUDY, rows, design=_Plan))}
    assert "nothing but readings of T01-2" in seen["batch-or-reading"]
    rows = table().loc[[0, 0]].assign(batch=[1, 2], made_at=["2031-05-10", "2031-05-11"])
    assert "batch-or-reading" not in [f.code for f in odd(STUDY, take_in(STUDY, rows, design=_Plan))]


def test_an_adjuster_that_is_more_than_a_pinch_or_goes_with_a_level_is_said():
    """r by numpy; |t| of r with 8 - 2 degrees of freedom beyond 3.707 (tables, two-sided 1 %)."""
    study = Study.from_dict(
        {
            "study": {"name": "Invented"},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Gum", "low": 0.2, "high": 1},
                {"name": "Wax", "low": 1, "high": 5},
                {"name": "Acid", "level": 0.1, "adjusts": "pH"},
            ],
            "response": [{"name": "pH", "method": "meter"}],
        }
    )
    gum = np.array([0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9])
    wax = np.array([1.0, 5, 2, 4, 4, 2, 5, 1])
    rows = pd.DataFrame({"Gum": gum, "Wax": wax, "Acid": 0.1 + 0.3 * gum, "pH": 5.0 + 0.01 * wax})
    said = {p.code: p.got for p in odd(study, study.results(rows))}
    assert said["adjuster-with"] == "its amount goes with Gum (r = 1.00)"
    assert said["adjuster-large"] == "more than 0.3 % in T06-1 0.31, T07-1 0.34, T08-1 0.37"
    quiet = odd(study, study.results(rows.assign(Acid=0.1)))
    assert not [p for p in quiet if p.code.startswith("adjuster")]


def one(sd="8 %", **words):
    return {"name": "Viscosity", "unit": "mPa.s", "scale": "log", "sd": sd, **words}


def study(*responses):
    return Study.from_dict(
        {
            "study": {"name": "Invented gel"},
            "ingredient": [
                {"name": "Water", "qs": True},
                {"name": "Gum", "low": 0.3, "high": 0.8},
                {"name": "Wax", "low": 1, "high": 6},
            ],
            "response": list(responses),
        }
    )


def said(of, frame):
    return {finding.code: str(finding) for finding in odd(of, take_in(of, frame))}


def test_readings_of_one_jar_given_as_batches_are_asked_about():
    # Four recipes, each three times within 0.3 %, where batches are expected to differ by 8 %: a chi-square of 8
    # degrees of freedom as small as 8 (0.3 / 8)^2 = 0.011 has a chance below 1e-9.
    base = np.repeat([9000.0, 12000.0, 15000.0, 20000.0], 3)
    frame = pd.DataFrame({"Gum": np.repeat([0.3, 0.4, 0.5, 0.6], 3), "Wax": 3.0})
    alike = frame.assign(Viscosity=base * np.tile([0.997, 1.0, 1.003], 4))
    told = said(study(one()), alike)
    assert "agree within 0.037 of the sd expected" in told["batches-alike"]
    assert "column reading" in told["batches-alike"]
    apart = frame.assign(Viscosity=base * np.tile([0.93, 1.0, 1.07], 4))
    assert "batches-alike" not in said(study(one()), apart)


def test_a_viscosity_read_at_several_speeds_is_no_one_number():
    # A liquid that thins reads otherwise at each speed: ASTM D2196 has two speeds or more tell the degree of it.
    frame = pd.DataFrame({"Gum": [0.3, 0.4, 0.5, 0.6], "Wax": 3.0, "Viscosity": [9e3, 1.2e4, 1.5e4, 2e4]})
    told = said(study(one(method="rotational")), frame.assign(speed=[10, 10, 20, 20]))
    assert "10 in T01-1, T02-1; 20 in T03-1, T04-1" in told["other-method"]
    assert "other-method" not in said(study(one(method="rotational")), frame.assign(speed=10))


def test_a_whole_column_in_another_unit_is_told_by_what_is_asked():
    # 1 Pa.s = 1000 mPa.s.
    asks = one(aim="within", low=10000, high=30000)
    frame = pd.DataFrame({"Gum": [0.3, 0.4, 0.5, 0.6], "Wax": 3.0, "Viscosity": [4.0, 12.0, 15.0, 20.0]})
    assert "all lie at 4 to 20, where 10000 to 30000 is asked" in said(study(asks), frame)["slip"]
    assert "slip" not in said(study(asks), frame.assign(Viscosity=frame["Viscosity"] * 1000))


def test_a_reading_low_on_the_scale_is_told_with_its_error():
    # An instrument of 1 % of full scale: 8 % of the value at 12.5 % torque, 5 % at 20 % torque.
    frame = pd.DataFrame({"Gum": [0.3, 0.4, 0.5, 0.6], "Wax": 3.0, "Viscosity": [9e3, 1.2e4, 1.5e4, 2e4]})
    told = said(study(one()), frame.assign(torque_pct=[12.5, 20, 50, 100]))
    assert "T01-1 by 8 %; 20 % torque or more" in told["low-torque"]
    assert "low-torque" not in said(study(one()), frame.assign(torque_pct=[20, 20, 50, 100]))


def test_batches_that_lose_water_and_were_never_weighed_are_named():
    plain = pd.DataFrame({"trial": TRIALS, "Viscosity": 9000.0, "pH": 5.2, "Spread": 5.2, "Look": "good"})

    def codes(**make):
        of = Study.from_dict(STUDY.to_dict() | {"make": make})
        return {f.code: str(f) for f in odd(of, take_in(of, plain, design=_Plan))}

    assert "T01-1, T02-1" in codes(loss="5 %")["no-final-weight"]
    assert "no-final-weight" not in codes(loss="5 %", make_up=True)
    assert "no-final-weight" not in codes()


def test_what_is_taken_from_a_curve_is_not_taken_for_swapped():
    # The second batch's yield value and its drift each lie among the others' of the other: no slip of the pen.
    curve = {"name": "Flow", "kind": "curve", "against": "shear rate", "unit": "Pa"}
    taken = [
        {"name": "Yield", "unit": "Pa", "from": "yield_value", "of": "Flow", "aim": "watch"},
        {"name": "Slope", "from": "consistency", "of": "Flow", "aim": "watch"},
    ]
    rates = np.array([0.01, 0.1, 1.0, 3.0, 10.0, 30.0, 100.0])
    rows = [
        {
            "trial": f"H{n}",
            "Gum": 0.3 + 0.05 * n,
            "Wax": 3.0,
            "response": "Flow",
            "speed": rate,
            "value": low + k * rate**0.5,
        }
        for n, (low, k) in enumerate([(0.5, 9.0), (6.0, 0.8), (0.6, 5.0), (1.0, 8.0), (0.7, 6.0), (0.9, 7.0)])
        for rate in rates
    ]
    assert "swapped" not in said(study(curve, *taken), pd.DataFrame(rows))
