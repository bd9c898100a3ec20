"""The terminal: harmless names, aligned columns, and what to do next on the last line."""

import unicodedata
from dataclasses import replace
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import Study
from doe.design.compare import Comparison
from optimise import next_trials
from reports import documents, tables
from reports.numbers import estimated
from reports.terminal import fit as terminal_fit
from reports.terminal import formula as terminal_formula
from reports.terminal import terminal
from reports.terminal import upcoming as terminal_upcoming
from reports.terminal.compare import compare_text


@pytest.fixture(scope="module")
def said(job):
    study = job.study
    upcoming = documents.next_document(next_trials(study, job.models, confirm=3, best=job.best))
    # A folder's name may carry an escape sequence that would colour the screen.
    status = documents.status_document(study, rounds=[], results=job.results, todo="blendwright fit \x1b[31mx")
    return {
        "check": terminal.check(study),
        "plan": terminal.plan(study, job.design),
        "compare": compare_text(
            study, Comparison.of(study, [12, 16], others=False), "FOLDER", "FOLDER/plan/compare.html"
        ),
        "record": terminal.record(study, job.results, "blendwright fit FOLDER"),
        "fit": terminal_fit.fit(job.models, "blendwright optimise FOLDER"),
        "predict": terminal_formula.predict(job.models, job.best.levels),
        "optimise": terminal_formula.optimise(study, job.best, "blendwright next FOLDER --confirm 3"),
        "next": terminal_upcoming.upcoming(study, upcoming, "blendwright record FOLDER FILE"),
        "status": terminal.status(status),
    }


def test_the_last_line_says_what_to_do_next(said):
    for command, text in said.items():
        assert text.split("\n\n")[-1].startswith("Next: "), command
        assert text.splitlines()[-1].split("Next: ")[-1].lstrip().startswith("blendwright "), command


def test_no_control_reaches_the_screen(said):
    for text in said.values():
        assert not [c for c in text if unicodedata.category(c) == "Cc" and c != "\n"]


def test_a_fit_leads_with_all_responses_and_has_no_more_digits_than_its_errors(job, said):
    assert said["fit"].startswith("response ")
    name = next(name for name, model in job.models.items() if len(model.terms) and model.core is not None)
    model = job.models[name]
    row = model.terms.iloc[1]
    shown = estimated(float(row["estimate"]), float(row["se"]))
    line = next(line for line in said["fit"].splitlines() if line.startswith(f"{row['term']} "))
    assert all(text in line.split() for text in shown)


def test_all_there_is_of_one_response(job):
    for name in job.models:
        told = terminal_fit.of(job.models, name, "blendwright optimise FOLDER")
        assert told.splitlines()[-1].startswith("Next: ")
        if job.models[name].core is not None:
            assert "error df" in told
            assert all(f"\n{batch} " in told for batch in job.models[name].trials["batch"])


def test_words_that_are_not_ours_to_say(said):
    for text in said.values():
        assert not {"safe", "preserved"} & set(text.lower().split())


def test_plan_lists_each_trial_once_in_order(job, said):
    lines = said["plan"].splitlines()
    trials = [line.split()[1] for line in lines if len(line.split()) > 2 and line.split()[0].isdigit() and "T" in line]
    assert trials == list(job.design.runs.sort_values("order").index)


def test_predicted_is_never_called_measured(said):
    assert "measured" not in said["optimise"].lower()
    assert "Predicted, not confirmed." in said["optimise"]


def test_what_was_searched_by_is_what_formulas_are_compared_by(job):
    others = tuple({"label": f"F{i + 2}", "chance_all": 0.5, "desirability": 0.93 - i / 100} for i in range(2))
    cheap = {**job.best.to_dict(), "chance_all": 0.4, "desirability": 0.91}
    kept = {next(iter(job.best.blend)): (0.0, 1.0)}
    for objective, told, not_told in (
        (
            "chance",
            ("F2 50", "Practically the same chance, 40", "nine tenths of the chance"),
            ("0.93", "same desirability"),
        ),
        (
            "desirability",
            ("F2 0.93, F3 0.92.", "the same desirability, 0.91, for", "nine tenths of the desirability"),
            ("F2 50",),
        ),
    ):
        one = replace(job.best, objective=objective, alternatives=others, cheapest=cheap, tolerances=kept)
        text = " ".join(terminal_formula.optimise(job.study, one, "").split())
        assert all(words in text for words in told), text
        assert not any(words in text for words in not_told)
    none = {**cheap, "chance_all": {"unavailable": "nothing predicts it", "do": "make more"}}
    text = " ".join(
        terminal_formula.optimise(job.study, replace(job.best, objective="chance", cheapest=none), "").split()
    )
    assert "Practically the same chance of what can be predicted, for" in text


def test_what_a_recipe_alone_misses_passes_never(job):
    name = job.study.exact_responses[0].name
    source = job.study.to_dict()
    row = next(r for r in source["response"] if r["name"] == name)
    row.update(aim="below", high=1e-6, must=True)
    row.pop("low", None)
    row.pop("target", None)
    poor = Study.from_dict(source)
    entry = {**job.best.responses, name: {"predicted": 1.0, "chance": 0.0}}
    text = " ".join(terminal_formula.optimise(poor, replace(job.best, chance=0.0, responses=entry), "").split())
    assert f"no batch would meet every must: what the recipe alone decides misses its limit, {name}." in text
    assert "fewer than 1 of 100" not in text


def test_a_cost_without_a_unit_has_one_on_the_screen(job, said):
    source = job.study.to_dict()
    del next(r for r in source["response"] if r["name"] == "Cost")["unit"]
    text = terminal_formula.optimise(Study.from_dict(source), job.best, "blendwright next FOLDER --confirm 3")
    assert text == said["optimise"]
    assert next(line for line in text.splitlines() if line.strip().startswith("Cost")).endswith("EUR/kg")


@given(st.text(max_size=40))
def test_clean_text_is_one_harmless_line(text):
    got = tables.clean(text)
    assert not any(unicodedata.category(c) in ("Cc", "Cs") for c in got)
    assert not set(got) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u061c")


@given(st.text(alphabet="ab黄é\u0301 ", max_size=30), st.integers(2, 12))
def test_cells_fit_their_columns(text, most):
    assert tables.width(tables.fitted(text, most)) <= most


def test_columns_line_up_with_wide_letters():
    text = tables.aligned([["黄原胶", "1"], ["Gum", "22"]], ("name", "level"), right=(1,))
    starts = {tables.width(line[: line.rindex(" ")]) for line in text.splitlines()[2:]}
    assert [tables.width(line) for line in text.splitlines()[2:]] == [13, 13]
    assert len(starts) == 2


def test_a_number_stays_with_its_unit():
    text = tables.wrapped("word " * 12 + "80\u202f% of it", columns=64)
    assert "80\u202f%" in text
    assert all(tables.width(line) <= 64 for line in text.splitlines())


def test_a_table_keeps_to_eighty_columns_and_loses_nothing():
    head = ("response", "predicted", "one new batch, 95 % prediction", "chance", "asked for", "unit")
    rows = [
        ["Just holds the beads of glass", "24000", "18800 to 30000", "over 99 %", "14000 to 28000, target 20000", "Pa"]
    ]
    text = tables.aligned(rows, head, right=(1, 3))
    assert all(tables.width(line) <= 80 for line in text.splitlines())
    assert sorted("".join(text.split()).replace("-", "")) == sorted("".join("".join([*head, *rows[0]]).split()))
    # Where a line holds it, every row is one line.
    assert len(tables.aligned([["Gum", "0.5"]], ("name", "level")).splitlines()) == 3


def test_a_command_to_be_pasted_is_one_line_however_long():
    command = "blendwright record 'my own wash, second try' '" + "x" * 70 + '.xlsx\' --why "spilt some"'
    text = terminal.next_line(
        f"make the batches in this order, type results into the workbook, then {command}; or rest"
    )
    assert any(line.strip().startswith(command) for line in text.splitlines())
    assert text.startswith("Next: make the batches")


def test_status_says_where_models_stand_and_where_musts_clash(said):
    told = {"study": "s", "rounds": [], "batches": 3, "problems": [], "next": "blendwright fit s"}
    for models, optimum, words in (
        ("none", "none", "Nothing is fitted yet."), ("fresh", "none", "no formula has been looked for yet."),
        ("fresh", "fresh", "Models and formula are up to date."), ("fresh", "stale", "The formula is out of date"),
        ("stale", "stale", "The models and formula are out of date"), ("stale", "none", "The models are out of date"),
    ):  # fmt: skip
        assert words in terminal.status({**told, "analyses": {"models": models, "optimum": optimum}})
    text = terminal.status({**told, "clash": ["Viscosity", "Cost"]})
    assert "Viscosity and Cost cannot be met together, as predicted" in text


def test_a_front_along_grades_says_what_sets_formulas_of_one_grade_apart():
    graded = {"name": "Feel", "kind": "grade", "grades": ["soft", "firm"], "aim": "below", "high": "soft"}
    study = Study.from_dict(
        {
            "study": {"name": "words"},
            "factor": [{"name": "Speed", "low": 0, "high": 10}],
            "response": [graded, {"name": "Thick", "unit": "Pa s", "method": "m", "aim": "above", "low": 12}],
        }
    )

    def front(across, value):
        points = [
            {"blend": {}, "factors": {"Speed": at}, "values": {across: value}, "chance_all": 0.1 * at} for at in (3, 5)
        ]
        best = SimpleNamespace(
            front_of=("chance", across), front=points, objective="chance", responses={across: {}},
            to_dict=lambda: {"front": points})  # fmt: skip
        return terminal_formula._front(study, best)

    assert front("Feel", 1.0).endswith("Formulas of one grade of Feel differ in how far they lie within it.")
    assert "one grade" not in front("Thick", 13.0)
