"""Numbers in any of the usual ways of writing them: read exactly, or refused; never another number. Data invented."""

import io
from decimal import Decimal

import openpyxl
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Study
from doe.bench.bench import DO_NOT_USE, FLAGS
from doe.problems import ResultsError
from doe.results.results import batches_csv, readings_csv, take_in
from doe.results.stored import parsed_results
from doe.tables.tables import tables_from_bytes

STUDY = Study.from_dict(
    {
        "study": {"name": "Invented balm"},
        "ingredient": [{"name": "Water", "qs": True}, {"name": "Gum", "low": 0.3, "high": 0.8}],
        "response": [{"name": "Force", "unit": "mN", "method": "m"}, {"name": "pH", "method": "m"}],
    }
)
TRIALS = [f"T{n:02d}" for n in range(1, 7)]


class PLAN:
    round, digest, study_digests = 1, "d" * 64, STUDY.digests
    table = pd.DataFrame({"Water": 99.5, "Gum": 0.5}, index=TRIALS)
    runs = pd.DataFrame({"order": range(1, 7)}, index=TRIALS)


# Decimal mark and sign between thousands, as countries write them (Unicode CLDR, from memory), and minus signs.
WAYS = [(".", ""), (",", ""), (".", ","), (",", "."), (",", "\u00a0"), (",", "\u202f"), (".", "'"), (".", "\u2019")]
PAIRS = st.tuples(st.integers(-9_999_999, 9_999_999), st.integers(0, 4))
NUMBERS = PAIRS.map(lambda pair: Decimal(pair[0]).scaleb(-pair[1]))


def typed(number, way, minus="-"):
    """A number as it is written in one of the ways."""
    mark, group = way
    text = f"{abs(number):,f}" if group else f"{abs(number):f}"
    text = text.replace(",", "\x00").replace(".", mark).replace("\x00", group)
    return (minus if number < 0 else "") + text


def read(cells, how):
    """The cells as readings of one response, through a file; None where the file was refused."""
    if how == "csv":
        text = "trial;Force;pH\n" + "".join(f"{t};{c};\n" for t, c in zip(TRIALS, cells, strict=False))
        content, name = text.encode(), "t.csv"
    else:
        book, out = openpyxl.Workbook(), io.BytesIO()
        for row in (["trial", "Force", "pH"], *([t, c, None] for t, c in zip(TRIALS, cells, strict=False))):
            book.active.append(row)
        book.save(out)
        content, name = out.getvalue(), "t.xlsx"
    tables = tables_from_bytes(content, name)
    try:
        return take_in(STUDY, tables, design=PLAN).readings["value"].tolist()
    except ResultsError as error:
        told = [problem.allowed for problem in error.problems]
    assert all("one way" in allowed or "decimal mark" in allowed for allowed in told), told
    return None


@settings(max_examples=50)
@given(
    st.lists(NUMBERS, min_size=1, max_size=6),
    st.sampled_from(WAYS),
    st.sampled_from("-\u2212"),
    st.sampled_from(["csv", "xlsx"]),
)
def test_a_table_in_one_way_of_writing_is_read_exactly_or_refused(numbers, way, minus, how):
    got = read([typed(number, way, minus) for number in numbers], how)
    assert got is None or got == [float(number) for number in numbers]


@settings(max_examples=50)
@given(st.lists(st.tuples(NUMBERS, st.sampled_from(WAYS)), min_size=2, max_size=6))
def test_ways_mixed_in_one_table_are_never_taken_for_another_number(cells):
    got = read([typed(number, way) for number, way in cells], "csv")
    assert got is None or got == [float(number) for number, _ in cells]


@settings(max_examples=50)
@given(NUMBERS, st.sampled_from([(".", ""), (",", "")]), st.sampled_from(["mN", " mN", "\u00a0mN"]))
def test_a_unit_behind_the_number_changes_nothing(number, way, unit):
    got = read([typed(number, way) + unit, typed(Decimal("0.5"), way)], "csv")
    assert got == [float(number), 0.5]


@settings(max_examples=50)
@given(NUMBERS, st.sampled_from(["<", ">", "< ", "\u2264", "less than "]))
def test_a_bound_stays_a_bound_of_the_same_number(number, sign):
    text = f"trial,Force,pH\nT01,{sign}{number:f},\n"
    row = take_in(STUDY, tables_from_bytes(text.encode(), "t.csv"), design=PLAN).readings.iloc[0]
    assert row["value"] == float(number)
    assert row["bound"] == ("above" if sign == ">" else "below")


@settings(max_examples=25)
@given(
    st.lists(
        st.tuples(
            st.one_of(NUMBERS.map(str), st.sampled_from(["", "<5", ">7", "2 to 3", "not measured"])),
            st.sampled_from(["", *FLAGS, "foamy"]),
            st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cf", "Cs", "Z"]), max_size=8),
        ),
        min_size=6,
        max_size=6,
    )
)
def test_values_flags_and_notes_come_back_from_the_folder_as_they_were_typed(rows):
    frame = pd.DataFrame(
        {
            "trial": TRIALS,
            "response": "Force",
            "value": [value if flag != "not measured" else "" for value, flag, _ in rows],
            "flag": [flag for _, flag, _ in rows],
            "note": [note or "x" for _, _, note in rows],
        }
    )
    results = take_in(STUDY, frame, design=PLAN)
    back = parsed_results(readings_csv(results), batches_csv(results))
    assert back.digest == results.digest
    kept = back.readings.set_index("trial")
    used = set(back.observed("Force")["trial"])
    for trial, (value, flag, note) in zip(TRIALS, rows, strict=True):
        missing = value in ("", "not measured") or flag == "not measured"
        said = "" if not missing else "not measured" if value == "not measured" else "no value"
        assert kept["note"][trial] == (note or "x")
        assert kept["flag"][trial] == (flag or said)
        assert bool(pd.isna(kept["value"][trial])) == missing
        assert (trial in used) == (not missing and flag != DO_NOT_USE)
