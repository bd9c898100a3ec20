"""Sentences of a fit: what is said of few batches, of powers at the end of the search, and of what predicts."""

import pytest

from reports.numbers import likely
from reports.wording import fit as words


def entry(kind="number", bounds=(), df=8, power=1.2):
    return {
        "kind": kind,
        "scale": "linear",
        "scale_why": "linear: the values as they are",
        "df_residual": df,
        "box_cox": {"power": power, "interval": [-0.1, 4.0]},
        "trials": [{"bound": bound} for bound in bounds],
        "anova": [{"source": name} for name in ("model", "linear terms", "squares", "residual", "total")],
        "variance": {"batch": 0.1},
    }


def test_a_power_at_the_end_of_the_search_is_said_to_lie_beyond_and_few_batches_tell_none():
    assert "is over 4" in words.scale_line(entry(power=4.0))
    assert "likeliest" not in words.scale_line(entry(df=1, power=4.0))


def test_what_predicts_is_told_response_by_response():
    averaged, own = {"predicts_by": "averaged posterior"}, {"predicts_by": "these terms"}
    nothing = {"predicts_by": {"unavailable": "one batch", "do": "make more"}}
    said = words.predicts_lines({"Foam": averaged, "pH": averaged, "Lid": own, "Feel": nothing})
    assert "Foam and pH: terms are for reading" in said
    assert "Lid: predictions are by these terms" in said
    assert "Feel: nothing predicts it: one batch." in said
    assert words.predicts_lines({"Foam": own}) == "Predictions are by these terms."
    assert "Nothing predicts it: one batch." in words.predicts(nothing)


def test_the_likeliest_power_never_comes_without_its_interval():
    for said in (words.scale_line(entry()), words.scale_brief(entry())):
        assert "95\u202f% likelihood −0.10 to over 4" in said
    log = {**entry(), "scale": "log", "box_cox": {"power": 1.2, "interval": [0.4, 2.0]}}
    assert "this scale (0) lies outside" in words.scale_brief(log)


def test_models_nearly_as_good_are_told_by_what_they_differ_in():
    near = [{"terms": ["1", "Gum", "Wax"], "delta_aicc": 0.0}, {"terms": ["1", "Gum", "Gum²"], "delta_aicc": 1.25},
            {"terms": ["1", "Gum"], "delta_aicc": 2.5}]  # fmt: skip
    said = words.near_line({"selection": {"near": near}})
    assert said == "Nearly as good by AICc: with Gum², without Wax (+1.2)."
    assert words.near_line({"selection": {"near": near[:1]}}) == ""


def test_a_region_of_the_top_that_leaves_limits_or_simplex_is_said():
    top = {"at": {"A": 0.1, "B": 0.9}, "kind": "maximum", "predicted": 3.0, "inside": True, "beyond": [],
           "confidence": {"A": [-0.1, 0.3], "B": [0.7, 1.1]}, "impossible": []}  # fmt: skip
    assert "reaches beyond" not in words.top_line({"stationary": top})
    said = words.top_line({"stationary": {**top, "beyond": ["A", "B"], "impossible": ["A"]}})
    assert "In A and B this reaches beyond the limits, where nothing was tried, in A to amounts no blend" in said


def test_partial_lines_and_blocks_are_explained():
    assert "need not add up" in words.partial_line(entry())
    shown = words.blocks_line({**entry(), "blocks": {"Mon": -0.5, "Tue": 0.5}, "variance": {"block": 0.25}})
    assert "Mon −0.5, Tue +0.5; sd 0.5" in shown


def test_what_is_read_of_batches_that_share_an_error_is_said_where_it_stands():
    lines = (words.against_line, words.residual_line, words.each_batch_line, words.anova_line)
    assert [line(entry()) for line in lines] == [""] * 4
    plots = {**entry(), "variance": {"batch": 0.1, "whole_plot": 0.2}}
    assert all("whole plot" in line(plots) for line in lines)
    fixed = {**entry(), "variance": {"batch": 0.1, "block": 0.2}, "blocks": {"Mon": 0.1}}
    assert words.anova_line(fixed) == ""


@pytest.mark.parametrize(("chance", "said"), [(1.0, "over 99"), (0.0, "under 1"), (0.8, "80")])
def test_nothing_measured_is_sure(chance, said):
    assert likely(chance).startswith(said)


def test_how_terms_of_categories_count_is_said_where_there_are_any():
    assert words.contrast_line({"terms": [{"term": "Gum"}, {"term": "Gum²"}]}) == ""
    said = words.contrast_line({"terms": [{"term": "Gum × [Oil: A]"}, {"term": "[Oil: A]"}]})
    assert said.startswith("A term such as [Oil: A] counts +1")
    assert "twice the estimate" in said


def test_a_residual_sd_that_is_too_small_is_said_where_it_stands_with_what_predicts():
    ahead = {"sd": 0.052, "limits": [0.036, 0.081], "level": 0.9}
    none = {"unavailable": "not repeated", "do": "repeat"}
    plain = {**entry(), "residual_sd": 0.028, "batch_sd": ahead, "lack_of_fit": none, "findings": []}
    told = words.judged(plain)
    assert told.startswith("Residual sd 0.028 on 8 degrees of freedom; what predicts reckons with a batch sd of 0.052 ")
    warned = {**plain, "findings": [{"code": "sd-after-choice"}]}
    assert "on 8 degrees of freedom, likely too small after the choice of terms; what predicts" in words.judged(warned)
    own = {**plain, "batch_sd": none}
    assert "reckons" not in words.judged(own)
