"""The page: one file, nothing asked for, one named script, the decision first, user text only ever text."""

import base64
import hashlib
import re
import shutil
import subprocess

import pandas as pd
import pytest

from doe import Study, plan
from doe.recipes.weighing import step_of
from optimise import find, fit
from reports import write_report
from reports.page import rows
from reports.page.page import QUESTIONS
from reports.rendered import _unbroken

HOSTILE = "<script>alert(1)</script>&\"'"

TOML = """
[study]
name = 'Invented <script>alert(1)</script>&"'
batch_cost = 45

[[factor]]
name = "Speed <b>"
low = -1
high = 1

[[factor]]
name = "زمن"
low = -1
high = 1

[[response]]
name = "Viscosity <i>"
unit = "mPa.s"
method = "invented"
aim = "within"
low = 8
high = 12
sd = 0.5

[plan]
design = "central-composite"
axial = "face"
seed = 3
"""


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    study = Study.from_toml(TOML)
    design = plan(study)
    table = pd.DataFrame(design.table)
    first, second = (table[name].to_numpy(dtype=float) for name in study.columns)
    # A known surface with a little fixed scatter, so that there is something to fit.
    scatter = [0.3 * ((7 * i) % 5 - 2) for i in range(len(table))]
    frame = table.assign(**{"Viscosity <i>": 10 + 2 * first - first * second - second**2 + scatter})
    results = study.results(frame[["Viscosity <i>"]], design=design)
    models = fit(study, results)
    best = find(study, models)
    write_report(folder / "after.html", study, design=design, results=results, models=models, best=best)
    write_report(folder / "again.html", study, design=design, results=results, models=models, best=best)
    write_report(folder / "before.html", study, design=design)
    return {path.stem: path for path in folder.iterdir()}


@pytest.mark.parametrize("name", ["before", "after"])
def test_nothing_is_asked_for(pages, name):
    text = pages[name].read_text(encoding="utf-8")
    assert "default-src 'none'" in text
    assert ("<script" in text) == (name == "after")
    text = re.sub(r"<script>.*?</script>", "", text, flags=re.DOTALL)
    assert not re.search(r'\s(?:src|href|action)="(?!#)', text)
    assert not re.search(r'\son\w+="', text)
    assert not re.search(r"url\((?!#)", text)
    assert len(text) < 2_500_000


@pytest.mark.parametrize("name", ["before", "after"])
def test_the_decision_comes_first_then_the_questions(pages, name):
    text = pages[name].read_text(encoding="utf-8")
    asked = dict(QUESTIONS) | ({"tried": "What will be tried"} if name == "before" else {})
    places = [text.index("<h1>")] + [text.index(f'<h2 id="{key}">{title}<') for key, title in asked.items()]
    assert places == sorted(places)
    assert text.count("<h1>") == 1


def test_user_text_is_only_text(pages):
    text = pages["after"].read_text(encoding="utf-8")
    assert "&lt;script&gt;alert(1)" in text
    assert "<b>low" not in text
    assert "Speed &lt;b&gt;" in text
    assert "Speed <b>" not in text


def test_words_that_are_not_ours_to_say(pages):
    for path in pages.values():
        words = re.findall(r"[a-z]+", re.sub(r"<[^>]*>", " ", path.read_text(encoding="utf-8").lower()))
        assert "safe" not in words
        assert "preserved" not in words


@pytest.mark.parametrize("name", ["before", "after"])
def test_the_policy_names_style_and_script_and_allows_nothing_else(pages, name):
    text = pages[name].read_text(encoding="utf-8")
    for kind in ("style", "script"):
        found = re.findall(rf"<{kind}>(.*?)</{kind}>", text, re.DOTALL)
        digests = [base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() for one in found]
        named = re.findall(rf"{kind}-src ([^;\"]*)", text)
        assert named == [f"'sha256-{digest}'" for digest in digests]
    assert not re.search(r'<[^>]+ style="', text)
    assert "unsafe" not in text


@pytest.mark.parametrize("name", ["before", "after"])
def test_whatever_is_pointed_at_is_there(pages, name):
    text = pages[name].read_text(encoding="utf-8")
    ids = re.findall(r'\sid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    wanted = re.findall(r'(?:href="#|url\(#|aria-labelledby=")([^")]+)', text)
    assert set(wanted) <= set(ids)


def test_every_picture_has_words(pages):
    text = pages["after"].read_text(encoding="utf-8")
    for opening in re.findall(r"<svg [^>]*>", text):
        assert 'aria-label="' in opening or 'aria-hidden="true"' in opening


def test_same_facts_same_bytes(pages):
    assert pages["after"].read_bytes() == pages["again"].read_bytes()


@pytest.mark.browser
def test_a_browser_opens_it_without_a_network(pages, tmp_path):
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Chromium is not on this machine")
    done = subprocess.run(
        [
            chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--host-resolver-rules=MAP * ~NOTFOUND", f"--user-data-dir={tmp_path}",
            "--dump-dom", pages["after"].as_uri(),
        ],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert "How far to trust it" in done.stdout


def test_the_name_over_printed_pages_is_only_a_name(pages):
    (style,) = re.findall(r"<style>(.*?)</style>", pages["after"].read_text(encoding="utf-8"), re.DOTALL)
    (written,) = re.findall(r'@top-left \{ content: "([^"]*)"; \}', style)
    assert re.fullmatch(r"(?:[0-9A-Za-z]|\\[0-9a-f]+ )*", written)
    told = re.sub(r"\\([0-9a-f]+) ", lambda found: chr(int(found[1], 16)), written)
    assert told == 'Invented <script>alert(1)</script>&"'


def test_a_command_is_not_broken_over_two_lines_and_text_stays_text():
    said = _unbroken("<b>: plan --compare says it, next --confirm too")
    assert said == (
        '&lt;b&gt;: <span class="line">plan --compare</span> says it, <span class="line">next --confirm</span> too'
    )
    assert _unbroken("3 -- 4") == "3 -- 4"


def test_levels_as_made_have_the_decimals_of_their_column():
    assert [rows._level(v, rows._places([78.283, 90.6])) for v in (78.283, 90.6)] == ["78.28", "90.60"]
    assert rows._places([4.0, 8.0]) == 0
    assert rows._places([0.40002, 1.0]) == 1
    assert rows._places([]) == 0
    # 0.01 g of a batch of 800 g is 0.00125 %: three decimals at most.
    salt = [{"name": "Water", "qs": True}, {"name": "Salt", "low": 0.0, "high": 1.0}]
    balance = [{"name": "pan", "step_g": 0.01, "repeat_g": 0.01, "max_g": 4000}]
    study = Study.from_dict({"study": {"name": "W", "batch_g": 800}, "balance": balance, "ingredient": salt})
    weighed = step_of(study, 0.9)
    assert weighed == pytest.approx(0.00125)
    assert rows._places([0.9001, 0.4], weighed) == 1
    assert rows._places([0.9044, 0.4], weighed) == 3
