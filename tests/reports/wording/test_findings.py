"""Findings as they are read. What is the gravest is our choice; the places are invented."""

from pathlib import Path

import studies
from doe import Study
from doe.problems import Problem
from doe.trade.findings import study_findings
from reports.wording.findings import gist, ranked, told_before


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


def test_notes_that_check_tells_already_stand_in_one_line_and_new_ones_are_not_buried():
    study = Study.read(Path(studies.__file__).parent / "examples/tide_pool")
    known = study_findings(study)
    notes = [one for one in known if one.level == "inform"]
    new = Problem("one-lot", "inform", "lots", "one lot only of Gum", "", "")
    left, line = told_before(study, [*known, new])
    assert len(notes) >= 2
    assert line.startswith(f"{len(notes)} notes as before (")
    assert left == [*(one for one in known if one.level != "inform"), new]
    # What has to be looked at is never shortened, nor is a note alone.
    assert told_before(study, [notes[0], new]) == ([notes[0], new], "")


def test_the_gist_of_a_finding_is_what_comes_before_it_explains():
    assert gist("T23-1 decides much by itself: without it the fit moves") == "T23-1 decides much by itself"
    assert gist("rises with the power 2.2 of Gum in the water (95 % confidence 2 to 2.4)").endswith("in the water")
    assert gist("T06 (row 7): only a bound, under 4310") == "T06 (row 7): only a bound, under 4310"
    assert gist("read once") == "read once"
