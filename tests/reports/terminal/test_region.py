"""What `check` shows of the region: bars, what never decides, and eighty columns."""

import pytest

from doe import Study
from reports.terminal import terminal
from reports.terminal.region import bar

HEAD = '[study]\nname = "Wash"\n[[response]]\nname = "y"\nmethod = "m"\n[[ingredient]]\nname = "Water"\nqs = true\n'


def study(*ingredients, limits=(), more=""):
    rows = [f'[[ingredient]]\nname = "{n}"\nlow = {a}\nhigh = {b}\n' for n, a, b in ingredients]
    return Study.from_toml(HEAD + "".join(rows) + "".join(f'[[limit]]\nrule = "{r}"\n' for r in limits) + more)


@pytest.mark.parametrize(
    ("ends", "drawn"),
    [
        ((0.0, 12.0), "[============]"),
        ((0.0, 6.0), "[======......]"),
        ((3.0, 12.0), "[...=========]"),
        ((0.1, 0.2), "[=...........]"),
        ((12.0, 12.0), "[...........=]"),
        ((5.5, 5.6), "[.....=......]"),
    ],
)
def test_bars_show_what_can_be_reached_of_what_was_asked(ends, drawn):
    assert bar(0.0, 12.0, ends) == drawn


def test_nothing_is_drawn_where_nothing_was_asked():
    assert bar(None, None, (1.0, 2.0)) == ""
    assert bar(1.0, 1.0, (1.0, 1.0)) == ""


def test_check_is_read_at_eighty_columns_without_colour():
    names = [("A raw material with a very long name indeed", 0.0001, 0.0003), ("Wax", 0.5, 3), ("Oil", 3, 12)]
    factor = '[[factor]]\nname = "Homogenise at high speed"\nunit = "min"\nlow = 2\nhigh = 8\n'
    text = terminal.check(study(*names, limits=["Wax + Oil <= 9", "Wax + Oil <= 22"], more=factor))
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "\x1b" not in text
    (oil,) = [line for line in text.splitlines() if line.startswith("Oil")]
    # 3 to 8.5 of 3 to 12.
    assert "3 to 8.5" in oil
    assert "[========....]" in oil
    assert 'Wax + Oil <= 22 (the others already see to "Wax + Oil <= 9")' in " ".join(text.split())
    # A four-cornered figure of Wax and Oil, at either end of the first and of the factor.
    assert "16 corners" in text


def test_the_size_of_the_region_is_said():
    # Half of the square of Wax and Oil lies below its diagonal.
    text = " ".join(terminal.check(study(("Wax", 0, 4), ("Oil", 0, 4), limits=["Wax + Oil <= 4"])).split())
    assert "2 can be chosen freely; 3 corners; 50 % of all combinations between low and high keep every limit." in text
    text = " ".join(terminal.check(study(("Wax", 0, 4), ("Oil", 0, 4))).split())
    assert "all combinations between low and high keep every limit" in text


def test_equalities_and_single_levels_are_told():
    text = terminal.check(study(("Wax", 1, 4), ("Oil", 2, 4), ("Gum", 1, 2), limits=["Oil = 2 * Wax", "Gum <= 1"]))
    assert "(the rest follows from the total and Oil = 2 * Wax)" in " ".join(text.split())
    (gum,) = [line for line in text.splitlines() if line.startswith("Gum")]
    assert "1 only" in gum


def test_no_share_is_told_where_levels_are_tied_and_none_counts_where_it_may_be():
    text = " ".join(terminal.check(study(("Wax", 1, 4), ("Oil", 1, 4), limits=["Wax = Oil"])).split())
    assert "combinations between" not in text
    absent = '[[ingredient]]\nname = "Gum"\nlow = 1\nhigh = 2\nor_none = true\n'
    text = " ".join(terminal.check(study(("Wax", 1, 4), more=absent)).split())
    assert "all combinations between low and high or of none keep every limit." in text
