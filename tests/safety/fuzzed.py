"""What is fuzzed: every way in which bytes or words of other people reach the program, and what they begin with."""

import contextlib
import io
import json
import tomllib
from html import escape

import openpyxl
from fuzzing import SPLIT, Fuzzer, unzipped, zipped
from small_study import SMALL

from doe import Study
from doe.definition.keys import json_schema
from doe.definition.rules import parse_rule, parse_sum
from doe.definition.ruletokens import RuleError
from doe.design.design import plan
from doe.problems import StudyError
from doe.results.results import batches_csv, readings_csv, take_in
from doe.results.stored import parsed_results
from doe.tables.opendocument import MIMETYPE
from doe.tables.tables import tables_from_bytes
from reports.documents import check_document, json_text
from reports.terminal import terminal
from studies import journal
from studies.commands.new import _from_file, example_toml
from studies.folder import design_of
from studies.levels import parsed

NAMES = ("Gum", "Wax", "Oil", "Gum wetting", "C12-15 (ester)", "×", "1,2-Diol")
TABLE = b"trial,batch,Viscosity,pH,note\nT01,1,15000,5.2,\nT02,1,<2000,5.4,\xc3\xa9\nT03,1,>90000,,late\n"
FORMULA = b"Phase,Ingredient,% w/w,INCI\nA,Water,q.s.,Aqua\nA,Gum,0.5,Xanthan Gum\nB,Wax,4,Cetyl Alcohol\n,Total,100,\n"
HISTORY = b"trial;Gum;Wax;Viscosity;pH\nA1;0,4;3;14000;5,3\nA2;0,6;5;21000;5,4\n"
WORDS = [
    "[[ingredient]]\n", "[[response]]\n", "[[limit]]\n", "[[factor]]\n", "[plan]\n", 'name = "', "low = ", "= [", "]]",
    '"""', "'", "{", "}", "inf", "nan", "true", "<=", ">=", "/", " * ", "(", ")", " + ", "\u202e", "\x1b[2J", "\x00",
    "\ufeff", "=1+1", "@", "-", "<5", ">100000", "none seen", "#REF!", "%", ",", ";", "\t", "\r", '"', "T01", "T01-2",
    "trial", "batch", "lot: Gum", "\U0001f9ea", "1e400", "</row>", "<c ", ' t="s"', ' t="inlineStr"', ' r="XFD1048576"',
    "<f>", "<v>", "&lt;", "&#0;", "<mergeCell ref=", "\x00<part>\x00",
]  # fmt: skip


def _keys():
    found = []

    def walk(node):
        for name, inner in node.get("properties", {}).items():
            found.append(f"\n{name} = ")
            walk(inner)
            walk(inner.get("items", {}) if isinstance(inner.get("items"), dict) else {})

    walk(json_schema())
    return sorted(set(found))


def told(error):
    """Every refusal says where, what came and what to do."""
    assert error.problems
    assert all(problem.where and problem.got for problem in error.problems)


def _pointed(error):
    assert 0 <= error.start <= error.end


def definition(content):
    """A study.toml, and what `check` says of it."""
    try:
        study = Study.from_toml(content.decode("utf-8", "replace"))
        document = check_document(study)
    except StudyError as error:
        told(error)
        return
    json.loads(json_text(document))
    terminal.check(study, "study")


def rule(content):
    """The text of a limit, and of a linear sum."""
    for read in (parse_rule, parse_sum):
        try:
            read(content.decode("utf-8", "replace"), NAMES)
        except RuleError as error:
            _pointed(error)


def levels(content):
    """Levels typed on the command line."""
    try:
        parsed(content.decode("utf-8", "replace"), STUDY, "--at")
    except StudyError as error:
        told(error)


def _taken_in(content, name):
    try:
        take_in(STUDY, tables_from_bytes(content, name), design=PLAN)
    except StudyError as error:
        told(error)


def csv_table(content):
    """A table of results, planned."""
    _taken_in(content, "back.csv")


def workbook(content):
    """A workbook of results: its parts changed one by one, and zipped again."""
    _taken_in(zipped(content), "back.xlsx")


def open_document(content):
    """An OpenDocument spreadsheet."""
    _taken_in(zipped(content), "back.ods")


def formula(content):
    """Last year's formula in a table, from which a study is started."""
    try:
        text, _ = _from_file(content, "formula.csv", "study")
    except StudyError as error:
        told(error)
        return
    # What was not told is left to decide; what is written can be read.
    tomllib.loads(text)
    with contextlib.suppress(StudyError):
        Study.from_toml(text)


def stored(content):
    """What stands in a study folder and anyone may have changed: journal, plan, results."""
    journal.check_log(content)
    journal.entries_of(content)
    text = content.decode("utf-8", "replace")
    for pair in ((text, BATCHES), (READINGS, text)):
        with contextlib.suppress(StudyError):
            parsed_results(*pair)
    with contextlib.suppress(StudyError, ValueError, RecursionError):
        found = json.loads(text)
        if isinstance(found, dict):
            design_of(found, "plan.json")


def _book(odd):
    made = openpyxl.Workbook()
    sheet = made.active
    for line in TABLE.decode().splitlines():
        sheet.append([float(cell) if cell.replace(".", "").isdigit() else cell for cell in line.split(",")])
    if odd:
        sheet["B6"], sheet["C6"] = "=1+1", "2031-01-01"
        sheet["C2"].number_format = "0 %"
        sheet.merge_cells("E7:F8")
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def _ods(odd):
    spaces = ("office", "table", "text", "style")
    named = " ".join(f'xmlns:{n}="urn:oasis:names:tc:opendocument:xmlns:{n}:1.0"' for n in spaces)
    cell = '<table:table-cell office:value-type="string"><text:p>{}</text:p></table:table-cell>'
    lines = ["".join(map(cell.format, escape(line).split(","))) for line in TABLE.decode().splitlines()]
    number = '<table:table-cell office:value-type="float" office:value="5.5" table:number-columns-repeated="2"/>'
    rows = "".join(f"<table:table-row>{line}</table:table-row>" for line in lines)
    if odd:
        rows += f'<table:table-row table:number-rows-repeated="2">{number}</table:table-row>'
    style = '<style:style style:name="gone"><style:table-properties table:display="false"/></style:style>'
    body = (
        f"<office:document-content {named}><office:automatic-styles>{style}</office:automatic-styles><office:body>"
        f'<office:spreadsheet><table:table table:name="A">{rows}</table:table></office:spreadsheet></office:body>'
        "</office:document-content>"
    )
    return SPLIT.join([b"mimetype", MIMETYPE, b"content.xml", body.encode()])


STUDY = Study.from_toml(SMALL)
PLAN = plan(STUDY)
_RESULTS = take_in(STUDY, tables_from_bytes(TABLE, "back.csv"), design=PLAN)
READINGS, BATCHES = readings_csv(_RESULTS), batches_csv(_RESULTS)
JOURNAL = journal.line_of(journal.written(None, "new", {}, {"study.toml": "0" * 64}, version="0"))

EXAMPLE = example_toml("potting-shed").encode()
TARGETS = {
    "definition": (definition, [SMALL.encode(), EXAMPLE], _keys()),
    "rule": (
        rule,
        [b"Wax + Oil <= 9", b"2 <= Gum + 0.5*Wax <= 9", b"'C12-15 (ester)' / Gum >= 4", b"Wax = Oil"],
        NAMES,
    ),
    "levels": (levels, [b"Gum=0.5,Wax=3", b"Gum = 0,5; Wax = 3"], NAMES),
    "csv": (csv_table, [TABLE, HISTORY], ["Viscosity", "pH", "Gum", "material: Gum", "set_aside", "made_at"]),
    "workbook": (workbook, [unzipped(_book(odd)) for odd in (False, True)], ["Viscosity", "pH", "Gum"]),
    "open document": (
        open_document,
        [_ods(odd) for odd in (False, True)],
        ["table:number-rows-repeated=", "office:value=", "<text:s text:c="],
    ),
    "formula": (formula, [FORMULA], ["q.s.", "Price", "Supplier", "ad 100", "g", "Total", "Low", "High"]),
    "stored": (stored, [READINGS.encode(), BATCHES.encode(), json_text(PLAN.to_dict()).encode(), JOURNAL], ["null"]),
}


def fuzzer(name, seed=1):
    """The fuzzer of one of the targets, at its beginning."""
    call, seeds, words = TARGETS[name]
    return Fuzzer(call, seeds, [*WORDS, *words], seed)
