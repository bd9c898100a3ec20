"""Findings as they are read. What is the gravest is our choice; the places are invented."""

from doe.problems import Problem
from reports.wording.findings import ranked


def test_what_says_the_same_of_several_places_is_said_once_and_slips_lead():
    dry = [
        Problem("no-final-weight", "warn", f"b.xlsx, sheet Weigh, trial T{n:02d}", "no weight", "", "fill it in")
        for n in (1, 2, 3, 4, 7)
    ]
    ph = Problem("impossible", "warn", "pH", "no pH: T05-1 52", "0 to 14", "look at the sheet")
    note = Problem("one-lot", "inform", "lots", "one lot only of Gum", "", "")
    told = ranked([note, *dry, ph])
    assert [one.code for one in told] == ["impossible", "no-final-weight", "one-lot"]
    assert told[1].where == "b.xlsx, sheet Weigh, trials T01 to T04, T07"


def test_findings_that_differ_in_what_was_found_stay_apart():
    first, second = (Problem("slip", "warn", "Spread", f"T{n:02d}-1 71", "", "") for n in (1, 2))
    assert ranked([first, second]) == [first, second]
    places = [Problem("x", "warn", where, "got", "", "") for where in ("a.csv, cell E8", "Gum")]
    assert ranked(places)[0].where == "a.csv, cell E8, Gum"
