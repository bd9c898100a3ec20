"""`check`: what the definition asks for that no trial can change, said before any is made. Data invented."""

import pytest

COST = '\n[[response]]\nname = "Cost"\nfrom = "cost_per_kg"\nunit = "EUR/kg"\naim = "below"\nhigh = {high}\n'


@pytest.mark.parametrize("share", [0.99, 1.01])
def test_a_cost_that_no_recipe_reaches_is_said_before_any_trial(small, call, share):
    """The least a recipe can cost is what `check` says it costs at least; a ceiling under that leaves none."""
    file = small / "study.toml"
    bare = file.read_text(encoding="utf-8")
    file.write_text(bare + COST.format(high=100), encoding="utf-8")
    _, document = call("check", small)
    least = document["cost_per_kg"]["low"]
    assert not [row for row in document["problems"] if row["code"] == "exact-limit"]
    file.write_text(bare + COST.format(high=share * least), encoding="utf-8")
    code, document = call("check", small)
    assert code == 0
    found = [row for row in document["problems"] if row["code"] == "exact-limit"]
    assert len(found) == (share < 1)
    assert all("Cost at most" in row["got"] for row in found)
