"""Each digest changes when its own part of the definition changes its meaning, and for nothing else."""

import copy

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import Study
from doe.definition.digests import digest_of

BASE = {
    "study": {"name": "Invented wash", "batch_g": 400},
    "balance": [{"name": "bench", "step_g": 0.01, "max_g": 4000}],
    "ingredient": [
        {"name": "Water", "qs": True},
        {"name": "Gum", "low": 0.3, "high": 0.8, "price_per_kg": 18, "assay": 0.9},
        {"name": "Wax", "low": 1, "high": 4, "phase": "B", "inci": "Invented wax"},
    ],
    "factor": [{"name": "Mill", "levels": ["fine", "coarse"]}],
    "limit": [{"rule": "Wax + 2 * Gum <= 5", "why": "greasy"}],
    "response": [
        {
            "name": "Viscosity",
            "unit": "mPa.s",
            "method": "rotational",
            "aim": "target",
            "low": 1,
            "target": 2,
            "high": 3,
        },
        {"name": "Cost", "from": "cost_per_kg", "aim": "below", "high": 1},
    ],
    "reference": [{"name": "Today", "measured": {"Viscosity": 2}}],
    "step": [{"does": "stir", "takes": ["B"], "minutes": 5}],
    "make": {"loss": "3 %"},
    "plan": {"runs": 20, "model": "linear"},
    "done": {"chance": 0.9},
    "accept": [{"finding": "K1", "why": "on purpose", "by": "a chemist"}],
}


def changed(path, value):
    """The digests that differ after the value at `path` is set (None takes the key out)."""
    source = copy.deepcopy(BASE)
    at = source
    for key in path[:-1]:
        at = at[key]
    if value is None:
        del at[path[-1]]
    else:
        at[path[-1]] = value
    before, after = Study.from_dict(BASE).digests, Study.from_dict(source).digests
    return {name for name in before if before[name] != after[name]}


@pytest.mark.parametrize(
    ("path", "value", "parts"),
    [
        (("study", "total"), 99, {"tried"}),
        (("study", "unit"), "parts", {"tried"}),
        (("ingredient", 1, "low"), 0.4, {"tried"}),
        (("ingredient", 1, "assay"), 0.8, {"tried"}),
        (("ingredient", 1, "step"), 0.05, {"tried"}),
        (("ingredient", 2, "made_of"), {"Water": 1.0}, {"tried"}),
        (("ingredient", 2, "withdrawn"), True, {"tried"}),
        (("factor", 0, "levels"), ["fine", "rough"], {"tried"}),
        (("limit", 0, "rule"), "Wax + 2 * Gum <= 5.5", {"tried"}),
        (("plan", "runs"), 21, {"tried"}),
        (("plan", "seed"), 2, {"tried"}),
        (("response", 0, "unit"), "Pa.s", {"measured"}),
        (("response", 0, "method"), "cone and plate", {"measured"}),
        (("response", 0, "reads"), [0, 9], {"measured"}),
        (("response", 0, "after_h"), 24, {"measured"}),
        (("response", 0, "target"), 2.5, {"wanted"}),
        (("response", 0, "low"), 0.5, {"wanted"}),
        (("response", 0, "must"), False, {"wanted"}),
        (("response", 0, "weight"), 2, {"wanted"}),
        (("response", 0, "scale"), "log", {"wanted"}),
        (("response", 1, "high"), 2, {"wanted"}),
        (("done", "chance"), 0.8, {"wanted"}),
        (("ingredient", 1, "price_per_kg"), 19, {"facts"}),
        (("ingredient", 2, "inci"), "Other wax", {"facts"}),
        (("ingredient", 2, "density"), 0.9, {"facts"}),
        (("ingredient", 1, "was"), ["Old gum"], {"facts"}),
        (("response", 0, "sd"), "5 %", {"facts"}),
        (("limit", 0, "why"), "too greasy", {"facts"}),
        (("balance", 0, "step_g"), 0.1, {"facts"}),
        (("step", 0, "minutes"), 6, {"facts"}),
        (("make", "loss"), "4 %", {"facts"}),
        (("reference", 0, "measured"), {"Viscosity": 3}, {"facts"}),
        (("study", "name"), "Other", {"facts"}),
    ],
)
def test_a_change_touches_only_its_own_part(path, value, parts):
    assert changed(path, value) == parts


def test_a_response_that_is_added_changes_no_facts_unless_it_brings_some():
    added = {"name": "Foam", "unit": "mm", "method": "cylinder", "aim": "above", "low": 100}
    assert changed(("response",), [*BASE["response"], added]) == {"measured", "wanted"}
    assert changed(("response",), [*BASE["response"], {**added, "sd": 5}]) == {"measured", "wanted", "facts"}


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("limit", 0, "rule"), "5.0>=2*Gum+Wax"),
        (("make", "loss"), 0.03),
        (("ingredient", 1, "assay"), "90 %"),
        (("ingredient", 1, "price_per_kg"), 18.0),
        (("ingredient", 2, "assay"), 1),
        (("ingredient", 2, "inci"), [{"name": "Invented wax", "share": 1.0}]),
        (("response", 0, "must"), True),
        (("response", 0, "scale"), "linear"),
        (("plan", "criterion"), "I"),
        (("done", "chance"), "90 %"),
        (("response", 1, "from"), "cost_per_kg"),
    ],
)
def test_spelling_and_defaults_written_out_change_nothing(path, value):
    assert changed(path, value) == set()


def test_order_of_keys_changes_nothing():
    turned = {
        section: [dict(reversed(row.items())) for row in rows]
        if isinstance(rows, list)
        else dict(reversed(rows.items()))
        for section, rows in reversed(BASE.items())
    }
    assert dict(Study.from_dict(turned).digests) == dict(Study.from_dict(BASE).digests)


def test_the_digest_is_sha256_of_canonical_json():
    # echo -n '{"a":1,"b":[0.5,true,null]}' | sha256sum (GNU coreutils)
    expected = "bf7a9d41f8dd639070bf458b323cf8453991e6b43bc4fd38074e94a0ef837f2d"
    assert digest_of({"b": (0.5, True, None), "a": 1.0}) == expected


@given(st.dictionaries(st.text(max_size=4), st.floats(-1e6, 1e6) | st.integers(-999, 999) | st.text(max_size=4)))
def test_equal_values_have_equal_digests(value):
    as_floats = {k: float(v) if isinstance(v, int) else v for k, v in reversed(value.items())}
    assert digest_of(value) == digest_of(as_floats)
    assert digest_of(value) != digest_of({**value, "more than four": 0})
