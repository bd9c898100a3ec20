"""Every bad study is refused in words, with all its problems at once; every good one reads as written."""

import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import Study, StudyError
from doe.definition.keys import SECTIONS, json_schema

HERE = Path(__file__).parents[1]
BAD = sorted((HERE / "bad_studies").glob("*.toml"))
SCHEMA = HERE.parents[1] / "doe" / "study.schema.json"

HAND_WASH = """
[study]
name = "Invented hand wash"

[[ingredient]]
name = "Water"
qs = true

[[ingredient]]
name = "Gum"
low = 0.3
high = 0.8
step = 0.05
price_per_kg = 18

[[ingredient]]
name = "Humectant"
low = 1
high = 6
price_per_kg = 2

[[ingredient]]
name = "Chelator"
level = 0.1
price_per_kg = 5

[[factor]]
name = "Homogenise"
unit = "min"
low = 2
high = 8

[[limit]]
rule = "Humectant / Gum >= 4"
why = "the gum is wetted out in it"

[[response]]
name = "Viscosity"
unit = "mPa.s"
method = "rotational"
scale = "log"
aim = "within"
low = 1000
high = 3000
sd = "10 %"

[[response]]
name = "Cost"
from = "cost_per_kg"
aim = "below"
high = 0.5
"""


@pytest.mark.parametrize("path", BAD, ids=lambda p: p.stem)
def test_bad_studies_are_refused_in_words(path):
    text = path.read_text(encoding="utf-8")
    expected = text.splitlines()[0].removeprefix("# expect: ").split(" | ")
    with pytest.raises(StudyError) as caught:
        Study.from_toml(text)
    said = "\n".join(f"{p.code}: {p}" for p in caught.value.problems)
    for words in expected:
        assert words in said, said
    for problem in caught.value.problems:
        assert problem.where
        assert problem.got


def test_a_good_study_reads_as_written():
    study = Study.from_toml(HAND_WASH)
    assert study.columns == ("Water", "Gum", "Humectant", "Chelator", "Homogenise")
    assert study.blend_total == pytest.approx(99.9)
    assert [i.name for i in study.varied] == ["Water", "Gum", "Humectant"]
    assert study.fill.name == "Water"
    assert study.response("Viscosity").sd == (0.10, True)
    assert study.region.reach["Humectant"] == (1.2, 6)
    assert not [p for p in study.problems if p.level == "stop"]


def test_definition_round_trips():
    study = Study.from_toml(HAND_WASH)
    again = Study.from_dict(study.to_dict())
    assert dict(again.digests) == dict(study.digests)


def test_a_key_that_waits_for_its_room_is_reported():
    study = Study.from_toml(HAND_WASH.replace("price_per_kg = 18", 'price_per_kg = 18\nlot = "L4"'))
    assert [p.code for p in study.problems if "lot" in p.where] == ["not-used-yet"]
    assert study.ingredient("Gum").facts["lot"] == "L4"


@pytest.mark.parametrize(
    ("old", "new", "part"),
    [
        ("low = 1000\nhigh", "low = 1200\nhigh", "wanted"),
        ("high = 0.8", "high = 0.9", "tried"),
        ('method = "rotational"', 'method = "cone and plate"', "measured"),
        ("price_per_kg = 18", "price_per_kg = 19", "facts"),
        ("Humectant / Gum >= 4", "Humectant / Gum >= 5", "tried"),
    ],
)
def test_each_change_touches_only_its_own_digest(old, new, part):
    before = Study.from_toml(HAND_WASH).digests
    after = Study.from_toml(HAND_WASH.replace(old, new)).digests
    assert {name for name in before if before[name] != after[name]} == {part}


def test_digests_do_not_depend_on_spelling():
    spelt = HAND_WASH.replace("low = 1\nhigh = 6", "high = 6.0\nlow = 1.00")
    assert dict(Study.from_toml(spelt).digests) == dict(Study.from_toml(HAND_WASH).digests)


def test_schema_that_ships_is_the_one_the_keys_make():
    again = (
        'python -c "import json; from doe.definition.keys import json_schema as s; print(json.dumps(s(), indent=2))"'
    )
    assert json.loads(SCHEMA.read_text(encoding="utf-8")) == json_schema(), f"{again} > doe/study.schema.json"


def test_schema_accepts_what_the_reader_accepts():
    jsonschema.Draft202012Validator.check_schema(json_schema())
    jsonschema.validate(tomllib.loads(HAND_WASH), json_schema())


def refused_by_reader(source):
    try:
        Study.from_dict(source)
    except StudyError as error:
        return [p for p in error.problems if p.level == "stop"]
    return []


VALIDATOR = jsonschema.Draft202012Validator(json_schema())
VALUES = (
    st.none() | st.booleans() | st.integers(-3, 200) | st.floats(allow_nan=False, allow_infinity=False)
    | st.sampled_from(["", "log", "linear", "above", "10 %", "a", "nonsense", [], {}, [1, 2], [2, 1], ["a", "b"]])
    | st.sampled_from([{"a": 1}, {"blend": "linear"}, {"blend": 3}, {"Gum": "10 %"}, [{"Gum": 0.5}], [{"name": "x"}]])
)  # fmt: skip
ALL_KEYS = [(section.name, key) for section in SECTIONS.values() for key in section.keys]


@given(st.sampled_from(ALL_KEYS), VALUES)
def test_what_the_schema_refuses_the_reader_refuses(where, value):
    """An editor that follows the schema never calls wrong what the program takes."""
    section, key = where
    source = tomllib.loads(HAND_WASH)
    if SECTIONS[section].repeated:
        rows = source.setdefault(section, [{}])
        rows[-1][key] = value
    else:
        source.setdefault(section, {})[key] = value
    if not VALIDATOR.is_valid(source):
        assert refused_by_reader(source), (section, key, value)


@pytest.mark.parametrize("path", [p for p in BAD if "unknown-key" in p.read_text("utf-8")], ids=lambda p: p.stem)
def test_schema_refuses_unknown_keys(path):
    assert not VALIDATOR.is_valid(tomllib.loads(path.read_text(encoding="utf-8")))


def test_every_stop_says_what_to_do_and_what_is_allowed():
    silent = {}
    for path in BAD:
        with pytest.raises(StudyError) as caught:
            Study.from_toml(path.read_text(encoding="utf-8"))
        for problem in caught.value.problems:
            if problem.level == "stop" and not (problem.do or problem.allowed):
                silent[path.stem] = problem
    assert not silent


def test_every_code_of_the_reader_has_a_bad_file_or_a_test():
    """Each code that the reader may stop with stands in a bad study."""
    root = HERE.parents[1] / "doe"
    written = set()
    for name in (
        "definition/checks",
        "definition/conditions",
        "definition/definition",
        "definition/responses",
        "definition/consistency",
        "definition/tomltext",
        "study",
        "definition/material_facts",
        "trade/legal",
    ):
        text = (root / f"{name}.py").read_text(encoding="utf-8")
        written |= set(re.findall(r'(?:\.stop\(\s*|Problem\(\s*)"([a-z-]+)"', text))
    expected = "\n".join(path.read_text(encoding="utf-8").splitlines()[0] for path in BAD)
    tested = (HERE / "test_study.py").read_text(encoding="utf-8")
    untold = {code for code in written if f"{code}" not in expected + tested}
    assert untold <= {"no-file", "not-utf-8"}  # tested by their words in test_study.py


def test_every_key_has_a_word_of_explanation():
    assert all(key.doc for section in SECTIONS.values() for key in section.keys.values())


@given(st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
                    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
                    max_leaves=12))  # fmt: skip
def test_whatever_comes_is_read_or_refused(value):
    for source in (value, {"study": value}, {"study": {"name": "x"}, "ingredient": [{"name": "a", "low": value}]}):
        if isinstance(source, dict):
            with pytest.raises(StudyError):
                Study.from_dict(source)


@pytest.mark.parametrize(("key", "do"), [("batch_gram", "did you mean batch_g?"), ("zzz", "use one of these")])
def test_an_unknown_key_says_what_came_what_is_allowed_and_what_to_do(key, do):
    """Each problem has all its parts: where, what came, what is allowed, what to do."""
    with pytest.raises(StudyError) as caught:
        Study.from_dict({"study": {"name": "one", key: 3}})
    (found,) = [problem for problem in caught.value.problems if problem.code == "unknown-key"]
    assert all((found.where, found.got, found.allowed, found.do))
    assert do in found.do
