"""A formula that breaks what the study allows: each broken limit and range is named, with what it was set for."""

import pytest

from studies.cli import main


def broken(document):
    return [row for row in document["points"][0]["findings"] if row["code"] == "breaks-a-limit"]


@pytest.mark.parametrize(
    ("levels", "where"),
    [
        ("Gum=0.95,Wax=4", ["Gum at most 0.8"]),
        ("Gum=0.2,Wax=4", ["Gum at least 0.3"]),
        ("Gum=0.75,Wax=5.9", ["Wax + Gum <= 6.5"]),
        ("Gum=0.95,Wax=6.9", ["Gum at most 0.8", "Wax at most 6", "Wax + Gum <= 6.5"]),
        ("Gum=0.5,Wax=4,Preservative=3", ["Preservative fixed at 1"]),
    ],
)
def test_every_broken_limit_and_range_is_named(recorded, call, levels, where):
    code, document = call("predict", recorded, "--at", levels)
    assert code == 1
    assert [row["where"] for row in broken(document)] == where
    assert [row["where"] for row in document["problems"] if row["code"] == "breaks-a-limit"] == where


def test_what_a_limit_was_set_for_stands_beside_it(recorded, call, edit, capsys):
    edit(recorded, 'rule = "Wax + Gum <= 6.5"', 'rule = "Wax + Gum <= 6.5"\nwhy = "no pump lifts it"')
    assert main(["predict", str(recorded), "--at", "Gum=0.75,Wax=5.9"]) == 1
    assert "Wax + Gum <= 6.5: is broken; it was set because: no pump lifts it" in " ".join(
        capsys.readouterr().out.split()
    )


def test_what_keeps_every_limit_breaks_none_and_says_on_which_it_stands(recorded, call, capsys):
    code, document = call("predict", recorded, "--at", "Gum=0.8,Wax=5.7")
    assert code == 0
    assert broken(document) == []
    assert document["points"][0]["at_limits"] == ["Gum at most 0.8", "Wax + Gum <= 6.5"]
    assert main(["predict", str(recorded), "--at", "Gum=0.8,Wax=5.7"]) == 0
    assert "It stands at the limit of: Gum at most 0.8 and Wax + Gum <= 6.5." in capsys.readouterr().out
