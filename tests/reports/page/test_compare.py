"""Plans side by side for people: every plan is drawn, nothing runs, what a user typed is text, the same bytes again."""

import re
from dataclasses import replace

import pytest

from doe import Study, Unavailable
from doe.design.compare import Comparison
from reports import documents
from reports.gathering.compare import chart_of
from reports.page.compare import compare_page
from reports.pictures.compare import side_by_side
from reports.pictures.svg import sign
from reports.terminal.compare import compare_text
from reports.wording import compare as wording_compare

HOSTILE = "<script>x</script>\x1b[31m"


@pytest.fixture(scope="module")
def study():
    return Study.from_toml(
        """
[study]
name = "Invented <b>plan</b>"
batches_per_day = 3
batch_cost = 40
currency = "EUR"
[[factor]]
name = "Speed <i>"
low = 0
high = 1
[[factor]]
name = "Time"
low = 0
high = 1
[[response]]
name = "Feel & <script>x</script>"
aim = "watch"
sd = 1
matters = 3
[[response]]
name = "Gloss"
aim = "watch"
sd = 1
[plan]
model = "quadratic"
runs = 9
replicate_batches = 2
"""
    )


@pytest.fixture(scope="module")
def weighed(study):
    return Comparison.of(study, [5, 7, 9, 12])


def test_the_page_runs_nothing_and_user_text_is_text(study, weighed):
    page = compare_page(study, weighed)
    assert "default-src 'none'" in page
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert "Speed <i>" not in page
    assert not re.search(r'<[^>]+ style="', page)
    assert not re.search(r'\s(?:src|href|action)="(?!#)', page)
    assert page.count("<h1>") == 1
    assert page == compare_page(study, weighed)


def test_every_plan_that_can_be_made_is_drawn_once_in_each_picture(study, weighed):
    chart = chart_of(study, weighed)
    rows = [row for _, group in chart.groups for row in group]
    assert len(rows) == sum(o.own or hasattr(o.quality, "days") for o in weighed.options)
    # Gloss says no difference that matters: it cannot stand on this axis, and the page says so.
    assert chart.responses == ("Feel & <script>x</script>",)
    assert "Gloss</bdi> is not drawn" in compare_page(study, weighed)
    for narrow in (False, True):
        picture = str(side_by_side(chart, narrow=narrow))
        assert picture.count('class="ring"') == sum(len(row.marks) for row in rows)
        assert "aria-label" in picture


def test_signs_of_twelve_responses_differ():
    assert len({str(sign(place, 0, 0)) for place in range(12)}) == 12


def test_words_agree_with_the_numbers(study, weighed):
    page, text = compare_page(study, weighed), compare_text(study, weighed, "F", "F/plan/compare.html")
    document = documents.compare_document(study, weighed)
    reach = document["reaches"]
    assert isinstance(reach, int)
    assert f"{reach} batches show what matters in every response" in page
    assert f"{reach} batches show what matters in every response" in text
    own = {row["runs"]: row for row in document["compare"] if row["own"]}
    assert own[reach]["chance Feel & <script>x</script>"] >= 0.8
    assert "unavailable" in own[reach]["chance Gloss"]
    # Five runs for six terms: the squares and products are only potential, and the row says so.
    assert "only potential" in own[5]["told"][0]
    assert own[5]["potential"] == 6 - len(own[5]["terms"])
    assert own[reach]["potential"] == 0
    for shown in (page, " ".join(text.split())):
        assert f"of the other {len(own[5]['terms'])}: do not set it against rows of all 6." in shown
    # A line a plan, whatever its name, and in brackets those of which only a part is shown.
    shows = [line.split("  ")[-1] for line in text.split("\n\n")[1].split("\n") if line.startswith("  ")]
    assert len(shows) == len([row for row in document["compare"] if "unavailable" not in str(row["days"])])
    assert sum(said.startswith("(") for said in shows) == sum(row["potential"] > 0 for row in document["compare"])
    assert documents.json_text(document)


def test_the_table_is_no_wider_than_a_terminal(study, weighed):
    text = compare_text(study, weighed, "F", "F/plan/compare.html")
    assert max(len(line) for line in text.split("\n")) <= 80


@pytest.mark.parametrize(
    ("stops", "reach", "words"),
    [
        (36, 28, "at 36: each further day of batches makes the smallest visible difference less than 10"),
        (36, 28, "For what matters 28 are enough"),
        (28, 28, "the number that shows what matters, too"),
        (36, 60, "to the 60 that show what matters the way is slow"),
        (36, Unavailable("none", ""), "% smaller."),
    ],
)
def test_where_more_stops_paying_is_set_against_what_matters(weighed, stops, reach, words):
    said = wording_compare.stops(replace(weighed, stops_paying=stops, reaches=reach))
    assert words in said


def test_without_any_sd_the_spread_of_predictions_stands_in(study):
    source = study.to_dict()
    for response in source["response"]:
        response.pop("sd")
        response.pop("matters", None)
    bare = Study.from_dict(source)
    weighed = Comparison.of(bare, [7, 9], others=False)
    chart = chart_of(bare, weighed)
    assert chart.limit is None
    assert "sd of a prediction" in chart.axis
    assert "What more batches would show" in compare_page(bare, weighed)
