"""What is said of a formula: its cost against a ceiling, where it lies, what the last points of chance cost."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from reports.gathering.formula import formulas
from reports.wording.formula import cost_line, first_upper, front_words, outside_line, predicted


@pytest.fixture(scope="module")
def found(job):
    (formula,) = formulas(job.study, job.models, job.best.levels)
    return formula


@pytest.mark.parametrize(
    ("text", "large"),
    [("dissolve the salt", "Dissolve the salt"), ("pH to 5.2", "pH to 5.2"), ("Water, warm", "Water, warm"), ("", "")],
)
def test_sentences_begin_large_but_for_words_that_have_their_own_way(text, large):
    assert first_upper(text) == large


@pytest.mark.parametrize(
    ("off", "cost", "shown", "by"),
    [
        (0.0, "€0.60", "0.6", ", at the ceiling"),
        (0.0021, "€0.602", "0.6021", "€0.002 above"),
        (-0.0021, "€0.598", "0.5979", "€0.002 below"),
    ],
)
def test_a_cost_is_told_from_its_ceiling(found, off, cost, shown, by):
    (strip,) = [one for one in found.strips if one.spec.name == "Cost"]
    high = strip.spec.high
    said = cost_line(replace(found, cost_per_kg=high + off), strip.spec, ())
    assert said.startswith(f"{cost} per kg of raw materials")
    assert said.endswith(f"{by} {'' if off == 0 else 'the ceiling '}of €0.60.")
    assert predicted(replace(strip, predicted=high + off)) == f"{shown}\u202fEUR/kg"


def test_a_formula_outside_what_was_tried_says_so_first(found):
    inside = replace(found, inside=True, broken=())
    assert outside_line(inside) == ""
    assert "outside what was tried" in outside_line(replace(inside, inside=False))
    assert "Wax at most 3" in outside_line(replace(inside, inside=False, broken=("Wax at most 3",)))


def test_the_last_points_cost_what_lies_between_the_prices_printed():
    """0.8951 less 0.8243 is 0.07, but who reads €0.82 and €0.90 finds 0.08."""
    axes = SimpleNamespace(name="chance", share=True), SimpleNamespace(name="cost")
    facts = SimpleNamespace(front_of=axes, front=[(0.8243, 0.86, True), (0.8951, 0.89, True)], currency="EUR")
    said = front_words(facts).replace("\u202f", " ")
    assert said.startswith("The last 3 points of chance cost €0.08 per kg: 86 % is to be had at €0.82, 89 % at €0.90.")
