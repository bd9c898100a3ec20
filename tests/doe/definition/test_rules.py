"""Limits as people write them, and what is wrong with those that cannot be read."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.definition.rules import parse_rule, parse_sum, pointed, written
from doe.definition.ruletokens import RuleError, is_plain, normalised, quoted

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
        ("Wax == 3", {"Wax": 1}, 3, 3),
        ("9 >= Wax >= 2", {"Wax": 1}, 2, 9),
        ("Wax − 2 · Oil ≥ .5", {"Wax": 1, "Oil": -2}, 0.5, None),
        ("Wax/(Wax + Oil) <= 0.25", {"Wax": 0.75, "Oil": -0.25}, None, 0),
        ("2 * Humectant / Gum >= 4", {"Humectant": 2, "Gum": -4}, 0, None),
        ("(Humectant + 1) / Gum <= 4", {"Humectant": 1, "Gum": -4}, None, -1),
        ("4 / Gum >= 2", {"Gum": -2}, -4, None),
        ("Wax / Oil = 2", {"Wax": 1, "Oil": -2}, 0, 0),
        ("Wax + Wax <= 1e1", {"Wax": 2}, None, 10),
        ("--Wax <= -(-3)", {"Wax": 1}, None, 3),
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
        ("Wax + 2Oil <= 9", "no sign between", "2Oil"),
        ("Wax 2 <= 9", "not expected", "2"),
        ("Wax + Oil <= 9 %", "percent", "%"),
        ("Wax =< 9", "the other way round", "=<"),
        ("C12-15 (ester) <= 3", "other signs", "C12-15 (ester)"),
        ("'Waxx' <= 3", "not the name", "'Waxx'"),
        ("Wax / Oil + 1 <= 3", "ratio stands in a sum", "+"),
        ("Wax / Oil >= Gum", "something else than a number", ""),
        ("Wax / Oil / Gum >= 1", "ratio of ratios", "/"),
        ("2 <= Wax >= 1", "three sides", ""),
        ("9 <= Wax <= 2", "9 is above 2", ""),
        ("Wax <= 1e400", "too large", "1e400"),
        ("Wax <= 1e9 * 1e9", "too large", ""),
        ("wax <= 3", "not the name", "wax"),
        ("(" * 41 + "Wax" + ")" * 41 + " <= 3", "brackets in brackets", "("),
        ("Wax <= 3" + " " * 2000 + "+ 1", "characters", ""),
        ("Wax >= Wax + 1", "no level is left", ""),
        ("Wax <= 3 <= 4 <= 5", "two or three sides", ""),
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
        rules = parse_rule(text, NAMES)
    except RuleError as error:
        where = (error.start, error.end)
    else:
        where = (0, 0)
        assert all(rule.weights for rule in rules)
    assert 0 <= where[0] <= where[1] <= len(text)


def test_the_unknown_name_is_pointed_at_with_the_nearest():
    text = "Wax + Oill <= 9"
    with pytest.raises(RuleError) as caught:
        parse_rule(text, NAMES)
    assert pointed(text, caught.value) == "Wax + >>Oill<< <= 9"
    assert caught.value.do == "did you mean Oil?"


def test_the_longest_name_is_meant():
    (rule,) = parse_rule("Gum wetting + Gum <= 3", NAMES)
    assert dict(rule.weights) == {"Gum wetting": 1, "Gum": 1}


def test_a_ratio_with_two_ends_is_two_rules():
    low, high = parse_rule("4 <= Humectant / Gum <= 10", NAMES)
    assert (dict(low.weights), low.low, low.high) == ({"Humectant": 1, "Gum": -4}, 0, None)
    assert (dict(high.weights), high.low, high.high) == ({"Humectant": 1, "Gum": -10}, None, 0)
    assert dict(low.divisor.weights) == dict(high.divisor.weights) == {"Gum": 1}


def test_the_least_of_a_divisor():
    (rule,) = parse_rule("Gum / (Wax - 0.5 * Oil) <= 3", NAMES)
    assert rule.divisor.least({"Wax": (2, 5), "Oil": (0, 6)}) == -1


def test_sums():
    total = parse_sum("2 * (Wax - Oil) + 3 + Oil", NAMES)
    assert (total.constant, dict(total.weights)) == (3, {"Wax": 2, "Oil": -1})
    for text in ("Wax / Oil", "3", "Wax <= 2", "Wax Oil"):
        with pytest.raises(RuleError):
            parse_sum(text, NAMES)


anything = st.text(min_size=1, max_size=12).map(normalised).filter(bool)


@given(
    st.lists(anything, min_size=1, max_size=4, unique=True),
    st.data(),
)
def test_any_names_in_any_limit_come_back(names, data):
    """What `written` writes, `parse_rule` reads to the same numbers, whatever the names are."""
    number = st.floats(-1e6, 1e6, allow_subnormal=False)
    weights = {name: data.draw(number.filter(lambda v: abs(v) > 1e-6)) for name in names}
    low, high = sorted(data.draw(st.tuples(number, number)))
    low, high = data.draw(st.sampled_from([(low, high), (low, None), (None, high), (low, low)]))
    text = written(weights, low, high)
    (rule,) = parse_rule(text, names)
    assert dict(rule.weights) == weights
    assert (rule.low, rule.high) == (low, high)


@given(st.dictionaries(st.sampled_from(NAMES), st.floats(0, 50), min_size=6, max_size=6), st.data())
def test_a_rule_holds_where_its_words_hold(levels, data):
    """The linear form agrees with the ratio as it was written, worked out in plain arithmetic."""
    a, b = data.draw(st.sampled_from([("Wax", "Oil"), ("Humectant", "Gum")]))
    limit = data.draw(st.floats(0.1, 20))
    (rule,) = parse_rule(f"{a} / ({b} + 1) >= {limit!r}", NAMES)
    left = sum(w * levels[n] for n, w in rule.weights.items())
    ratio = levels[a] / (levels[b] + 1)
    if abs(ratio - limit) > 1e-9 * max(1, limit):
        assert (left >= rule.low) == (ratio >= limit)


@pytest.mark.parametrize(
    ("name", "plain"),
    [("Gum", True), ("Gum wetting", True), ("Säure 2", True), ("C12-15", False), ("12", False), ("Vit. E", False),
     ("it's", False), ("A×B", False)],
)  # fmt: skip
def test_which_names_need_quotes(name, plain):
    assert is_plain(name) is plain
    (rule,) = parse_rule(f"{quoted(name)} <= 3", [name])
    assert dict(rule.weights) == {name: 1}


def test_signs_that_are_names_are_names_only_in_quotes():
    (rule,) = parse_rule("'<' + '-' - Wax + 2 * 'Wax-Oil' <= 3", ["<", "-", "Wax", "Wax-Oil", "Oil"])
    assert dict(rule.weights) == {"<": 1, "-": 1, "Wax": -1, "Wax-Oil": 2}
    (rule,) = parse_rule("Wax - Oil <= 3", ["Wax", "Wax-Oil", "Oil"])
    assert dict(rule.weights) == {"Wax": 1, "Oil": -1}


@pytest.mark.parametrize(
    ("text", "names", "name"),
    [
        ("Salt >= 2 * PEG-150", ["Salt", "PEG-150", "PEG"], "PEG-150"),
        ("Wax-Oil <= 3", ["Wax", "Wax-Oil", "Oil"], "Wax-Oil"),
        ("Wax + 2-phenoxyethanol <= 3", ["Wax", "2-phenoxyethanol", "phenoxyethanol"], "2-phenoxyethanol"),
    ],
)
def test_a_name_that_may_be_a_sum_as_well_is_refused_with_both_ways_to_write_it(text, names, name):
    with pytest.raises(RuleError) as caught:
        parse_rule(text, names)
    error = caught.value
    assert text[error.start : error.end] == name
    assert f"write '{name}', quotes and all" in error.do
    (rule,) = parse_rule(text.replace(name, quoted(name)), names)
    assert name in rule.weights


def test_a_part_in_quotes_reckons():
    (rule,) = parse_rule("Salt >= 2 * 'PEG'-150", ["Salt", "PEG-150", "PEG"])
    assert dict(rule.weights) == {"Salt": 1, "PEG": -2}
    assert rule.low == -150
