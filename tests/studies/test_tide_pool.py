"""The second shipped example: a conflict that the trade stops, said in words, and the way out that its file marks."""

import re

import pytest

from doe import Study
from doe.region.idle import idle
from doe.trade import study_findings
from studies.commands.new import EXAMPLES, example_toml

WAY_OUT = re.compile(r"# WAY OUT.*\n((?:# .*\n)+)")


def unmarked(text):
    """The file with the # taken from the limit it marks."""
    found = WAY_OUT.search(text)
    assert found
    return text.replace(found[1], re.sub(r"^# ", "", found[1], flags=re.MULTILINE))


@pytest.fixture
def tide_pool(tmp_path, call):
    assert call("new", tmp_path / "mask", "--from", "tide-pool")[0] == 0
    return tmp_path / "mask"


def test_check_tells_a_chemist_the_conflict_and_plan_refuses(tide_pool, call):
    code, document = call("check", tide_pool)
    assert code == 1
    by_code = {}
    for row in document["problems"]:
        by_code.setdefault(row["code"], []).append(row)
    (stop,) = [row for row in document["problems"] if row["level"] == "stop"]
    assert stop["code"] == "K15"
    assert stop["where"] == "Preservative: Sorbate and Beads: Blue perlite"
    assert "free of it: Slate pearls with Sorbate, Blue perlite with Phenoxy blend" in stop["do"]
    assert stop["numbers"]["room"] == pytest.approx(5.5 - 6.8)
    (free,) = by_code["K13"]
    # 1 / (1 + 10^(7.2 - 4.76)): the upper end of what the blue beads allow.
    assert free["numbers"]["undissociated"] == pytest.approx(1 / (1 + 10**2.44))
    (rises,) = by_code["K21"]
    assert rises["where"] == "Beads: Blue perlite"
    assert [row["where"] for row in by_code["K22"]] == ["Beads: Blue perlite", "Beads: Slate pearls"]
    code, document = call("plan", tide_pool)
    assert code == 2
    assert [row["code"] for row in document["problems"]] == ["K15"]
    assert not (tide_pool / "plan").exists()


def test_every_advice_that_is_printed_cures_when_it_is_followed_to_the_letter(tide_pool, call):
    """The limit that K15 prints is written into the file, the low that K22 names is typed in: nothing else is done."""
    file = tide_pool / "study.toml"
    found = {}
    for row in call("check", tide_pool)[1]["problems"]:
        found.setdefault(row["code"], []).append(row["do"])
    rule, when = re.search(r'rule = "(.+?)", when = "(.+?)"', found["K15"][0]).groups()
    lows = [float(re.search(r"to ([0-9.]+) Pa", do)[1]) for do in found["K22"]]
    text = file.read_text(encoding="utf-8").replace("low = 0.4\n", f"low = {max(lows)}\n")
    file.write_text(f'{text}\n[[limit]]\nrule = "{rule}"\nwhen = "{when}"\n', encoding="utf-8")
    code, document = call("check", tide_pool)
    assert code == 0
    assert not {"K15", "K22", "empty-combination"} & {row["code"] for row in document["problems"]}
    study = Study.from_toml(file.read_text(encoding="utf-8"))
    assert not [one for one in idle(study.region) if not one.is_bound]


def test_the_way_out_it_marks_is_one(tide_pool, call):
    file = tide_pool / "study.toml"
    file.write_text(unmarked(file.read_text(encoding="utf-8")).replace("low = 0.4\n", "low = 0.65\n"), encoding="utf-8")
    code, document = call("check", tide_pool)
    assert code == 0
    assert not {"K15", "K22", "empty-combination"} & {row["code"] for row in document["problems"]}
    code, document = call("plan", tide_pool)
    assert code == 0
    pairs = {(run["levels"]["material: Beads"], run["levels"]["material: Preservative"]) for run in document["runs"]}
    assert ("Blue perlite", "Sorbate") not in pairs
    assert {beads for beads, _ in pairs} == {"Blue perlite", "Slate pearls"}


@pytest.mark.parametrize("name", EXAMPLES)
def test_what_is_said_of_a_shipped_example_promises_nothing(name):
    words = " ".join(str(problem) for problem in study_findings(Study.from_toml(example_toml(name))))
    assert not {"safe", "preserved"} & set(re.findall(r"[a-z]+", words.casefold()))


def test_the_first_example_trips_none_at_stop_level():
    found = study_findings(Study.from_toml(example_toml("potting-shed")))
    assert found
    assert not [problem for problem in found if problem.level == "stop"]
