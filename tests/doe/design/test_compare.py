"""Plans side by side: the same numbers as the plans alone, what is changed to fit, and the rule of when to stop."""

import numpy as np
import pytest

from doe import Study, Unavailable, compare, plan
from doe.design.compare import Comparison, run_counts, stopping


def factors(extra="", names="AB", model="quadratic", design="optimal", study=""):
    text = f'[study]\nname = "f"\nbatch_cost = 10\nbatches_per_day = 3\n{study}\n'
    text += "".join(f'[[factor]]\nname = "{n}"\nlow = 0\nhigh = 10\n' for n in names)
    text += '[[response]]\nname = "y"\naim = "watch"\nsd = 1\nmatters = 3\n'
    text += '[[response]]\nname = "z"\naim = "watch"\nsd = 2\nmatters = 3\n'
    return Study.from_toml(text + f'[plan]\nmodel = "{model}"\ndesign = "{design}"\n{extra}\n')


BLEND = Study.from_toml(
    """
[study]
name = "b"
batches_per_day = 4
[[ingredient]]
name = "Water"
qs = true
[[ingredient]]
name = "Gum"
low = 0
high = 40
[[ingredient]]
name = "Wax"
low = 10
high = 50
[[limit]]
rule = "Gum + Wax <= 70"
[[response]]
name = "y"
aim = "watch"
sd = 1
matters = 4
[plan]
model = "quadratic"
runs = 10
replicate_batches = 4
"""
)


@pytest.fixture(scope="module")
def weighed():
    return Comparison.of(BLEND, [8, 10, 12])


def test_each_row_is_the_plan_alone(weighed):
    table = weighed.table
    for option, row in zip(weighed.options, table.to_dict("records"), strict=True):
        if isinstance(option.quality, Unavailable) or option.told:
            continue
        alone = plan(BLEND, **{k: v for k, v in option.asked.items() if v is not None}).quality
        assert row["i_efficiency"] == alone.i_efficiency
        assert row["can_see y"] == alone.can_see["y"]["difference"]
        assert row["of_matters y"] == pytest.approx(alone.can_see["y"]["difference"] / 4)
        assert (row["days"], row["cost"]) == (alone.days, alone.cost)


def test_compare_is_the_table_of_the_own_plans(weighed):
    own = compare(BLEND, [12, 8])
    assert list(own.index) == [8, 12]
    table = weighed.table
    assert own.loc[12].to_dict() == table[table["plan"] == "optimal for predictions (I)"].loc[12].to_dict()


def test_repeats_that_do_not_fit_are_fewer_and_the_row_says_so(weighed):
    # Six terms: eight trials leave room for two repeats, ten for the four asked for.
    rows = {o.runs: o for o in weighed.options if o.own}
    assert rows[8].repeats == 2
    assert "2 repeats instead of 4" in rows[8].told[0]
    assert rows[10].repeats == 4
    assert not rows[10].told


def test_a_plan_that_cannot_be_made_says_why():
    refused = compare(factors('maybe = ["A²"]'), [2])
    assert "sure terms" in refused.loc[2, "d_efficiency"].reason
    assert isinstance(refused.loc[2, "days"], Unavailable)
    weighed = Comparison.of(factors('maybe = ["A²"]'), [2], others=False)
    assert isinstance(weighed.reaches, Unavailable)
    assert isinstance(weighed.stops_paying, Unavailable)


def test_textbook_plans_come_at_their_published_sizes():
    # Central composite of three factors with six centre points 20, Box-Behnken with three 15 (NIST/SEMATECH e-Handbook,
    # 5.3.3.6.3). Definitive screening has 2 * 4 + 1 recipes (Jones & Nachtsheim 2011); the rest are repeats.
    found = {o.plan: o for o in Comparison.of(factors(names="ABC"), [12]).options}
    assert found["central composite"].runs == 20
    assert found["central composite, face-centred"].runs == 20
    assert found["Box-Behnken"].runs == 15
    assert found["definitive screening"].runs == 12
    assert "needs more than 12 trials" in found["Box-Behnken"].told


def test_blends_get_vertices_and_the_reason_why_not_a_lattice(weighed):
    found = {o.plan: o for o in weighed.options}
    # Gum 0 to 40, Wax 10 to 50, together at most 70: a rectangle with one corner cut, five corners.
    assert found["extreme vertices"].runs == 10
    assert "whole simplex" in found["simplex lattice"].quality.reason
    assert found["as planned, no repeats asked for"].asked["replicate_batches"] == 0


def test_reach_is_where_every_response_has_its_80_percent():
    study = factors()
    weighed = Comparison.of(study, [8, 10, 14, 20, 32], others=False)
    seen = {}
    for runs in (8, 10, 14, 20, 32):
        can = plan(study, runs=runs).quality.can_see
        seen[runs] = all(can[name]["chance"] >= 0.8 - 1e-9 for name in ("y", "z"))
    first = next((n for n in seen if all(seen[m] for m in seen if m >= n)), None)
    assert not seen[8]
    assert weighed.reaches == first
    # Twice the sd with the same difference that matters: z decides.
    assert all(o.worst[0] == "z" for o in weighed.options)


def test_the_stopping_rule_on_a_known_curve():
    # Where the difference shrinks as 1 / sqrt(n) with four batches a day, the gain of the next day is
    # 1 - sqrt(n / (n + 4)): 10.6 % at 16, 8.7 % at 20; so twenty is the first where it is below a tenth.
    points = [(n, n / 4, 1 / np.sqrt(n)) for n in range(8, 60, 4)]
    assert stopping(points) == 20
    assert isinstance(stopping(points[:3]), Unavailable)
    # A flat place before a further gain does not count as the end.
    assert stopping([(8, 2.0, 1.0), (12, 3.0, 0.99), (16, 4.0, 0.5), (20, 5.0, 0.49)]) == 16


def test_counts_fill_whole_days_and_hold_the_wish():
    assert 10 in run_counts(BLEND)
    # Three batches a day; fifteen terms, so from eighteen on.
    counts = run_counts(factors(names="ABCD", extra="runs = 25"))
    assert all(n % 3 == 0 for n in counts if n != 25)
    assert 25 in counts
    assert counts == sorted(set(counts))
    assert counts[0] == 18
    assert max(run_counts(factors(extra="runs = 8", study="[done]\nmax_batches = 12\n"))) <= 12
    assert run_counts(factors(names="ABC", design="box-behnken"))[0] == 15


def test_fewer_trials_than_terms_are_not_set_against_more():
    weighed = Comparison.of(factors(names="ABC"), [8, 14, 20], others=False)
    assert "only potential" in weighed.options[0].told[0]
    assert weighed.options[0].terms != weighed.options[1].terms
    assert weighed.reaches != 8


def test_trials_made_before_count_as_they_do_for_a_plan():
    study = factors(extra="replicate_batches = 0")
    made = plan(study, runs=8).table
    option = Comparison.of(study, [6], others=False, seed=5, existing=made).options[0]
    alone = plan(study, runs=6, seed=5, existing=made).quality
    assert option.quality.can_see == alone.can_see
    assert option.quality.i_efficiency == alone.i_efficiency
    assert run_counts(study, made=4)[0] < run_counts(study)[0]
