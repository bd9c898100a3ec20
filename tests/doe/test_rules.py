"""Limits as people write them, and what is wrong with those that cannot be read."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.rules import RuleError, parse_rule

NAMES = ("Gum", "Wax", "Oil", "Gum wetting", "Humectant", "C12-15 (ester)")


@pytest.mark.parametrize(
    ("text", "weights", "low", "high"),
    [
        ("Wax + Oil <= 9", {"Wax": 1, "Oil": 1}, None, 9),
        ("9 >= Wax + Oil", {"Wax": 1, "Oil": 1}, None, 9),
        ("2 <= Gum + 0.5*Wax <= 9", {"Gum": 1, "Wax": 0.5}, 2, 9),
        ("Humectant >= 4 * Gum", {"Humectant": 1, "Gum": -4}, 0, None),
        ("Humectant / Gum >= 4", {"Humectant": 1, "Gum": -4}, 0, None),
        ("4 <= Humectant / Gum", {"Humectant": 1, "Gum": -4}, 0, None),
        ("Gum wetting <= 3", {"Gum wetting": 1}, None, 3),
        ("'C12-15 (ester)' + 2 (Wax) <= 3".replace("2 (Wax)", "2*(Wax + Oil)"),
         {"C12-15 (ester)": 1, "Wax": 2, "Oil": 2}, None, 3),
        ("Wax = Oil", {"Wax": 1, "Oil": -1}, 0, 0),
        ("Wax - 1 ≤ 2", {"Wax": 1}, None, 3),
        ("-Wax / 2 >= -3", {"Wax": -0.5}, -3, None),
    ],
)  # fmt: skip
def test_rules_are_read(text, weights, low, high):
    (rule,) = parse_rule(text, NAMES)
    assert dict(rule.weights) == pytest.approx(weights)
    assert (rule.low, rule.high) == (low, high)


@pytest.mark.parametrize(
    ("text", "reason", "guilty"),
    [
        ("Wx + Oil <= 9", "not the name", "Wx"),
        ("Wax * Oil <= 9", "multiplied", "*"),
        ("Wax + Oil", "compares", "Wax + Oil"),
        ("Wax <= 9 <= Oil", "three sides", ""),
        ("Wax < 9", "strict", "<"),
        ("Wax + <= 9", "where a name", "<="),
        ("(Wax <= 9", "does not close", "("),
        ("3 <= 4", "no level", ""),
        ("Wax <= 1,5", "decimal comma", "1,5"),
        ("'Wax <= 3", "does not end", "'"),
        ("Wax / 0 <= 3", "zero", "/"),
        ("__import__('os') <= 3", "not the name", "__import__"),
        ("", "stops short", ""),
    ],
)
def test_the_guilty_characters_are_named(text, reason, guilty):
    with pytest.raises(RuleError, match=reason) as caught:
        parse_rule(text, NAMES)
    assert guilty in text[caught.value.start : caught.value.end] or not guilty


@given(
    st.dictionaries(st.sampled_from(NAMES[:5]), st.floats(-99, 99).map(lambda v: round(v, 3)).filter(bool), min_size=1),
    st.floats(-99, 99).map(lambda v: round(v, 3)),
)
def test_written_rules_come_back(weights, limit):
    text = " + ".join(f"{w!r} * '{n}'" if w >= 0 else f"({w!r}) * '{n}'" for n, w in weights.items()) + f" <= {limit!r}"
    (rule,) = parse_rule(text, NAMES)
    assert dict(rule.weights) == pytest.approx(weights)
    assert rule.high == pytest.approx(limit)


@given(st.text(alphabet=st.sampled_from("Wax Oil+-*/()<>=.,'0123456789"), max_size=30))
def test_any_text_is_read_or_refused(text):
    try:
        (rule,) = parse_rule(text, NAMES)
    except RuleError as error:
        where = (error.start, error.end)
    else:
        where = (0, 0)
        assert all(rule.weights for rule in rules)
    assert 0 <= where[0] <= where[1] <= len(text)
