"""JSON documents: the promised keys, no number that is not one, the same bytes."""

import json
import math

import numpy as np
import pandas as pd
import pytest

from doe import Problem, Unavailable
from optimise import next_trials
from reports import documents


@pytest.fixture(scope="module")
def made(job):
    return {
        "check": documents.check_document(job.study),
        "plan": documents.plan_document(job.study, job.design),
        "record": documents.record_document(job.study, job.results, files=["a.xlsx"]),
        "fit": documents.fit_document(job.models),
        "predict": documents.predict_document(job.models, job.best.levels),
        "optimise": documents.optimum_document(job.best),
        "next": documents.next_document(next_trials(job.study, job.models, confirm=3, best=job.best)),
        "status": documents.status_document(job.study, rounds=[], results=job.results, todo="blendwright fit x"),
    }


def numbers_of(value):
    if isinstance(value, dict):
        for inner in value.values():
            yield from numbers_of(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from numbers_of(inner)
    elif isinstance(value, float):
        yield value


def test_every_document_has_its_frame_and_only_numbers(made):
    for command, document in made.items():
        assert list(document)[:5] == ["command", "version", "ok", "problems", "digests"]
        assert document["command"] == command
        assert document["ok"] is True
        text = documents.json_text(document)
        again = json.loads(text, parse_constant=pytest.fail)
        assert all(math.isfinite(v) for v in numbers_of(again))
        assert again == document
        assert documents.json_text(again) == text


@pytest.mark.parametrize(
    ("command", "keys"),
    # The keys of design.md, section 5.
    [
        ("check", {"region", "cost_per_kg"}),
        ("plan", {"round", "runs", "quality", "make_first", "reading"}),
        ("fit", {"responses"}),
        ("predict", {"points"}),
        ("optimise", {"blend", "factors", "feasible", "responses", "chance_all", "chance_interval", "desirability",
                      "cost_per_kg", "certificate", "alternatives", "front", "tolerances", "limited_by", "clash",
                      "findings"}),
        ("next", {"purpose", "runs", "gain", "cost", "stop", "verdict"}),
    ],
)  # fmt: skip
def test_promised_keys(made, command, keys):
    assert keys <= set(made[command])


def test_promised_keys_within(made):
    assert {"dimension", "vertices", "reach", "centroid"} <= set(made["check"]["region"])
    run = next(r for r in made["plan"]["runs"] if "replicate_of" not in r)
    assert {"trial", "order", "block", "whole_plot", "levels"} <= set(run)
    assert sum("replicate_of" in r for r in made["plan"]["runs"]) == 3
    assert {"levels", "inside", "in_hull", "leverage", "cost_per_kg", "chance_all", "chance_interval", "responses",
            "findings"} <= set(made["predict"]["points"][0])  # fmt: skip
    for response in made["fit"]["responses"].values():
        assert {"scale", "model", "coding", "n", "excluded", "terms", "residual_sd", "df_residual", "variance", "anova",
                "r2", "r2_adjusted", "r2_predicted", "press", "log_likelihood", "lack_of_fit", "stationary", "trials",
                "selection", "findings"} <= set(response)  # fmt: skip


def test_what_is_not_a_number_becomes_its_reason():
    got = documents.plain_data(
        {"a": np.float64("nan"), "b": [np.inf, np.int64(3)], "c": Unavailable("r", "d"), "d": pd.Series([1.5], ["x"])}
    )
    assert set(got["a"]) == {"unavailable", "do"}
    assert set(got["b"][0]) == {"unavailable", "do"}
    assert got["b"][1] == 3
    assert got["c"] == {"unavailable": "r", "do": "d"}
    assert got["d"] == {"x": 1.5}


def test_refusal_carries_every_problem():
    problems = [Problem("a", "stop", "w", "g", "al", "d"), Problem("b", "warn", "w", "g", "al", "d")]
    document = documents.problem_document("check", problems)
    assert document["ok"] is False
    assert [p["code"] for p in document["problems"]] == ["a", "b"]


def test_text_stays_readable():
    assert "Gum × Wax" in documents.json_text({"term": "Gum × Wax"})
