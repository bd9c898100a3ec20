"""Last year's formula as chemists keep it, untidy and in several languages: what is understood and said. Invented."""

import contextlib
import io
import tomllib

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import Study
from doe.problems import StudyError
from studies.formula_table import study_from_table
from studies.formula_words import kind_of, price_unit


def workbook(*rows, merge=(), other=None):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    for area in merge:
        book.active.merge_cells(area)
    if other:
        book.create_sheet(other).append(["nothing", "of use"])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def understood(content, name="f.csv"):
    """The ingredients by name, and everything that was said."""
    text, notes = study_from_table(content.encode() if isinstance(content, str) else content, name, "Invented")
    table = tomllib.loads(text)
    return {row.pop("name"): row for row in table["ingredient"]}, "\n".join(map(str, notes)), table


def refused(content, name="f.csv"):
    with pytest.raises(StudyError) as caught:
        study_from_table(content.encode() if isinstance(content, str) else content, name, "Invented")
    return "\n".join(map(str, caught.value.problems))


UNTIDY = workbook(
    ["Handcreme Entwurf 7", None, None, None, None, None],
    ["Stand: Mai, J. K.", None, None, None, None, None],
    [None] * 6,
    ["Phase", "Rohstoff", "INCI", "Gew.-% ", "Preis (€/kg)", "Lieferant"],
    ["A", "Wasser, demin.", "Aqua", "ad 100", 0.02, None],
    [None, "Xanthan fein", "Xanthan Gum", "0,40", "18,50", "Muster AG"],
    ["B", "Wachs", "Cera Alba", 4, 9.5, "Muster AG"],
    [None, "Öl nach Wahl", "Helianthus Annuus Seed Oil", "6,0 %", "k. A.", None],
    ["bei 75 °C einrühren, 10 min halten", None, None, None, None, None],
    ["C", "Zitronensäure 10 %", "Citric Acid, Aqua", "q.s. pH 5,5", None, None],
    [None, "Konservierer", "Phenoxyethanol", "0,9", 14, None],
    [None, "Summe", None, 100, None, None],
    ["Muster an Labor geschickt.", None, None, None, None, None],
    merge=("A1:F1", "A5:A6", "A7:A8", "A9:F9"),
    other="alte Fassung",
)


def test_an_untidy_german_workbook():
    got, said, table = understood(UNTIDY, "creme.xlsx")
    assert list(got) == [
        "Wasser, demin.",
        "Xanthan fein",
        "Wachs",
        "Öl nach Wahl",
        "Zitronensäure 10 %",
        "Konservierer",
    ]
    assert got["Wasser, demin."] == {"qs": True, "phase": "A", "inci": "Aqua", "price_per_kg": 0.02}
    assert got["Xanthan fein"] == {"level": 0.4, "phase": "A", "inci": "Xanthan Gum", "price_per_kg": 18.5}
    assert got["Öl nach Wahl"] == {"level": 6, "phase": "B", "inci": "Helianthus Annuus Seed Oil"}
    assert got["Zitronensäure 10 %"]["adjusts"] == "pH"
    assert table["study"]["currency"] == "EUR"
    for words in (
        "row 1: 'Handcreme Entwurf 7' stands above",
        "'bei 75 °C einrühren, 10 min halten' has no amount",
        "'Muster an Labor geschickt.' has no amount",
        "sheet alte Fassung: another sheet, not read",
        "row 12: Summe: 100, taken for a sum",
        "price 'k. A.' is no number",
        "Gew.-% (level in %)",
        "row 6: Xanthan fein: 0.4 %, phase A, Xanthan Gum, 18.5 per kg",
        "Zitronensäure 10 % adjusts the pH",
        "6 ingredients; 11.3 % beside Wasser, demin.",
    ):
        assert words in said, words


def test_grams_in_french_with_a_total():
    text = "Matière première;Quantité (g)\nEau;470\nGomme;2,5\nCire;27,5\nTotal;500\n"
    got, said, table = understood(text)
    assert got["Gomme"]["level"] == 0.5
    assert got["Cire"]["level"] == 5.5
    assert got["Eau"] == {"qs": True}
    assert table["study"]["batch_g"] == 500
    assert "levels worked out from grams of 500 g in all" in said


def test_kilograms_and_prices_by_the_tonne():
    got, _, table = understood("Raw material,Weight (kg),Price (£/t)\nWater,95,20\nWax,5,9500\n")
    assert got["Wax"] == {"level": 5, "price_per_kg": 9.5}
    assert table["study"]["batch_g"] == 100_000
    assert table["study"]["currency"] == "GBP"


def test_low_and_high_make_it_a_study_to_plan():
    text = "Ingredient,%,min,max\nWater,q.s.,,\nGum,0.5,0.3,0.8\nWax,3,1,5\nPreservative,0.9,,\n"
    got, said, _ = understood(text)
    assert got["Gum"] == {"low": 0.3, "high": 0.8}
    assert got["Preservative"] == {"level": 0.9}
    assert "Gum: 0.3 to 0.8 %, 0.5 % now" in said
    assert "fixed as in the table: Preservative" in said
    study = Study.from_toml(study_from_table(text.encode(), "f.csv", "x")[0])
    assert [item.name for item in study.varied] == ["Water", "Gum", "Wax"]


def test_a_range_in_one_cell():
    got, _, _ = understood("Ingredient;% w/w\nWater;to 100\nGum;0,3 - 0,8\nWax;2–5 %\n")
    assert got["Gum"] == {"low": 0.3, "high": 0.8}
    assert got["Wax"] == {"low": 2, "high": 5}


def test_fractions_of_one_are_said():
    got, said, _ = understood(workbook(["Ingredient", "%"], ["Water", 0.955], ["Gum", 0.005], ["Wax", 0.04]), "f.xlsx")
    assert got["Gum"]["level"] == 0.5
    assert "fractions of one; taken times 100" in said


def test_phases_as_rows_of_their_own():
    got, _, _ = understood("Ingredient,%\nPhase A,\nWater,90\nGum,1\nPhase B: oils,\nWax,9\nTotal,100\n")
    assert [row.get("phase") for row in got.values()] == ["A", "A", "B"]


def test_the_same_material_twice():
    got, said, _ = understood("Phase,Ingredient,%\nA,Water,80\nA,Gum,1\nA,Gum,0.5\nB,Water,18.5\n")
    assert got["Gum"]["level"] == 1.5
    assert got["Water in B"]["level"] == 18.5
    assert "Gum again: added to row 3" in said
    assert "named Water in B" in said


def test_sums_that_contradict_the_lines_are_said():
    _, said, _ = understood("Ingredient,%\nWater,90\nGum,1\nWax,8.5\nTotal,100\n")
    assert "the lines add up to 99.5 %, not 100 %" in said
    _, said, _ = understood("Ingredient,%,g\nWater,90,360\nWax,10,60\nTotal,100,420\n")
    assert "Wax: 60 g would be 14.29 %, and the table says 10 %" in said


def test_what_was_read_only_by_the_other_cells_is_said():
    got, said, _ = understood("Ingredient;%\nWater;q.s.\nOil;14,500\nGum;0,5\n")
    assert got["Oil"]["level"] == 14.5
    assert "14,500 read as 14.500, with a decimal comma as in other cells" in said


def test_a_title_may_stand_above_a_table_with_semicolons():
    text = "Hand wash 12\nMade 3 May\nPhase;Material;%;min;max\nA;Water;ad 100;;\nA;Gum;0,55;0,3;0,8\nTotal;;100;;\n"
    got, said, _ = understood(text)
    assert got["Gum"]["high"] == 0.8
    assert "'Hand wash 12' stands above, not used" in said


def test_parts_in_a_million_are_read_as_such():
    got, said, _ = understood("Ingredient,%,Dye [ppm]\nWater,q.s.,\nGum,0.5,\nDye,,20\n")
    assert got["Dye"]["level"] == pytest.approx(0.002)  # 1 ppm is 1e-6 by definition, 1 % is 1e-2
    assert "10 000 ppm are 1 %" in said


def test_cells_beside_the_columns_of_a_workbook_are_named():
    _, said, _ = understood(workbook(["Ingredient", "%"], ["Water", 95], ["Wax", 5, "too sticky"]), "f.xlsx")
    assert "under no heading: C3; not read" in said


def test_columns_nobody_knows_are_named():
    _, said, _ = understood("Ingredient,%,Mood\nWater,90,good\nWax,10,bad\n")
    assert "columns not used: Mood" in said


def test_text_goes_through_unharmed():
    got, _, _ = understood('Ingredient,%,INCI\n"Wax ""A"" \\ 1",5,=Cera\nWater,95,Aqua\n')
    assert got['Wax "A" \\ 1'] == {"level": 5, "inci": "=Cera"}


@pytest.mark.parametrize(
    "text, words",
    [
        ("Ingredient,%\nWater,q.s.\nGum,q.s.\n", "row 3: no level for Gum, and Water takes up the rest"),
        ("Ingredient,%\nWater,90\nGum,-1\n", "row 3, column %: -1; 0 or more"),
        ("Ingredient,%\nWater,90\nGum,<0.1\n", "'<0.1'; a number, low to high, or q.s."),
        ("Ingredient,%\nWater,90\nGum,5 g\n", "in g"),
        ("Ingredient,%,min,max\nWater,90,,\nGum,1,2,1\n", "2 to 1; low before high"),
        ("Ingredient;%\nWater;90\nGum;1,5\nWax;2.5\n", "as many are written the other way"),
        ("Ingredient,g\nWater,q.s.\nGum,5\n", "add a row Total"),
        ("Colour,Price\nred,5\n", "a column Ingredient"),
        ("Ingredient,%\nWater,q.s.\nWax,60\nOil,50\n", "row 2: the other lines come to 110 % and leave -10 %"),
        ("Ingredient,%\nWater,q.s.\nWax,1234.5\n", "row 3, column %: 1234.5 % of Wax; 0 to 100 %"),
        ("Ingredient,%,max\nWater,q.s.,\nWax,1,150\n", "row 3, column max: 150 % of Wax; 0 to 100 %"),
        ("Ingredient,g\nWater,q.s.\nWax,500\nTotal,400\n", "Wax 125 % (row 3)"),
        ("Ingredient,%\nWater,q.s.\nOil,1,5\nGum,0.5\n", "row 3: 3 cells; 2, as in the header; decimal commas need ;"),
        (
            "Ingredient,%,Supplier,Phase\nWater,q.s.,,A\nOil,1,5,B\n",
            "row 3, column %: 1 and 5 in the cell after it; 1.5",
        ),
        ("Ours\nIngredient,%,phase\nWater,q.s.,A\nOil,1,5,B\n", "row 4: 4 cells; 3, as in the header"),
        ("Ingredient,%\nWater,q.s.\nOil,nan\n", "row 3, column %: 'nan'"),
        ("Ingredient;%\nWater;80\nOil;14.500\n", "write 14500 or 14.5"),
        ("Ingredient,%\nTotal,100\n", "no ingredient"),
    ],
)
def test_cells_that_cannot_be_read_are_named(text, words):
    assert words in refused(text)


@pytest.mark.parametrize("beside", ["phase", "remarks", "price", "low", "INCI", "shelf"])
def test_a_decimal_comma_between_commas_is_not_lost(beside):
    said = refused(f"Ingredient,%,{beside}\nWater,95,5\nOil,1,5\nGum,3,0\nTotal,100,\n")
    assert "row 3, column %: 1 and 5 in the cell after it; 1.5 in one cell" in said


@pytest.mark.parametrize("beside", ["phase", "price", "lot"])
def test_numbers_that_stand_beside_whole_levels_by_right_are_no_decimals(beside):
    found, said, _ = understood(f"Ingredient,%,{beside}\nWater,95,1\nOil,2,12\nGum,3,25\n")
    assert (found["Oil"]["level"], found["Gum"]["level"]) == (2, 3)
    assert "adding up to 100 %" in said


def test_a_cell_of_a_workbook_is_named_by_its_letter():
    said = refused(
        workbook(["Formula"], ["Ingredient", "%"], ["Water", 90], ["Gum", "=1/2"], ["Wax", "lots"]), "f.xlsx"
    )
    assert "sheet Sheet, cell B4, column %: a formula without a stored result" in said
    assert "cell B5" in said


@pytest.mark.parametrize(
    "heading, kind",
    [
        ("% w/w", "share"), ("Gew.-%", "share"), ("% (p/p)", "share"), ("Wt. %", "share"), ("Anteil", "share"),
        ("Menge [g]", "grams"), ("Einwaage", "grams"), ("g", "grams"), ("Matière première", "name"),
        ("Matière", "name"),
        ("Nazwa handlowa", "name"), ("INCI-Bezeichnung", "inci"), ("Fase", "phase"), ("Prezzo (€/kg)", "price"),
        ("EUR/kg price", "price"), ("Min. %", "low"), ("Obergrenze", "high"), ("Lieferant", "supplier"),
        ("CAS-No.", "note"), ("Mood", ""), ("", ""), ("???", ""),
    ],
)  # fmt: skip
def test_headings(heading, kind):
    assert kind_of(heading) == kind


@pytest.mark.parametrize(
    "heading, unit",
    [
        ("Preis (€/kg)", ("EUR", "kg")),
        ("Cost $ per 100 g", ("USD", "100 g")),
        ("Price", ("", "")),
        ("CHF / t price", ("CHF", "t")),
    ],
)
def test_what_a_price_is_for(heading, unit):
    assert price_unit(heading) == unit


@given(st.lists(st.lists(st.text(max_size=8), min_size=2, max_size=3), min_size=1, max_size=6))
def test_no_table_breaks_it(rows):
    text = "Ingredient\t%\tprice\n" + "\n".join("\t".join(cell.replace("\t", " ") for cell in row) for row in rows)
    with contextlib.suppress(StudyError):
        understood(text.encode("utf-8", "replace"), "f.csv")
