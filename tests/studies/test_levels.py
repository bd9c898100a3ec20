"""Levels from the command line and from tables, completed to whole recipes."""

import pytest

from doe import Study, StudyError
from doe.tables.tables import tables_from_bytes
from studies.levels import completed, formulas_at, from_table, parsed

NAMED = "Gum=0.5,Humectant=4,Wax=2.5,Stone=3,Homogenise=5"


def test_fill_is_computed_and_fixed_levels_are_added(shipped):
    frame = formulas_at(NAMED, shipped)
    assert list(frame.columns) == list(shipped.columns)
    row = frame.iloc[0]
    assert row["Preservative"] == 0.9
    # 100 - 0.5 - 4 - 2.5 - 3 and the fixed 3.50 + 0.30 + 0.10 + 0.90 + 0.30
    assert row["Water"] == pytest.approx(84.9, abs=1e-12)
    assert row["Homogenise"] == 5


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Gum=0,5", ["'5'", "decimals with a point"]),
        ("Gun=0.5", ["'Gun' is no ingredient", "did you mean Gum"]),
        ("Gum=0.5,Gum=0.6", ["given twice"]),
        ("Gum=half", ["Gum", "number"]),
        ("Gum", ["NAME=LEVEL"]),
        ("Gum=<5", ["a number"]),
        ("Gun=1,Wacks=x,Wax=two", ["'Gun'", "'Wacks'", "two"]),
    ],
)
def test_every_piece_that_cannot_be_read_is_listed(shipped, text, words):
    with pytest.raises(StudyError) as caught:
        parsed(text, shipped, "--at")
    for word in words:
        assert word in str(caught.value)


def test_missing_levels_are_named(shipped):
    with pytest.raises(StudyError, match="no level for Humectant, Wax, Stone, Homogenise"):
        formulas_at("Gum=0.5", shipped)


def test_levels_that_do_not_add_up(shipped):
    with pytest.raises(StudyError, match="add up to 105"):
        formulas_at(NAMED + ",Water=90", shipped)
    with pytest.raises(StudyError, match="at most 100"):
        formulas_at(NAMED.replace("Wax=2.5", "Wax=95"), shipped)


def test_without_a_fill_one_missing_level_takes_the_rest():
    rows = [{"name": name, "low": 0, "high": 1} for name in ("A", "B", "1,2-Hexanediol")]
    study = Study.from_dict({"study": {"name": "x", "total": 1}, "ingredient": rows})
    frame = completed([parsed("1,2-Hexanediol=0.25, A = 0.25", study, "--at")], ["1"], study, "--at")
    assert frame.iloc[0].to_dict() == {"A": 0.25, "B": 0.5, "1,2-Hexanediol": 0.25}


def test_a_table_of_formulas(shipped):
    head = "name;Gum;Humectant;Wax;Stone;Homogenise;Viscosity\n"
    table = tables_from_bytes((head + "one;0,5;4;2,5;3;5;20000\ntwo;0,6;4;2,5;3;5;\n").encode(), "f.csv")[0]
    frame = from_table(table, shipped)
    assert list(frame.index) == ["one", "two"]
    assert frame.loc["two", "Gum"] == 0.6


def test_a_table_with_faults_lists_them_all(shipped):
    text = "Gun,Gum,Humectant,Wax,Stone,Homogenise\n1,x,4,2.5,3,5\n1,0.5,y,2.5,3,5\n"
    with pytest.raises(StudyError) as caught:
        from_table(tables_from_bytes(text.encode(), "f.csv")[0], shipped)
    assert len(caught.value.problems) >= 3
