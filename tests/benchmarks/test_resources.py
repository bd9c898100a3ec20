"""Processor time and memory of the largest jobs we promise anything for: twelve ingredients, long tables.

Limits are several times what was measured, for slower machines; what was measured stands in DEVELOPERS.md.
"""

import resource
import sys
import time

import numpy as np
import pytest

from doe import Study
from doe.design.design import plan
from doe.problems import StudyError
from doe.results.results import take_in
from doe.tables.tables import tables_from_bytes
from optimise import find, fit, next_trials
from reports import write_report
from studies import journal
from studies.inspection import inspect

NAMES = [f"Part {letter}" for letter in "ABCDEFGHIJK"]
TOML = '[study]\nname = "Twelve (invented)"\n[[ingredient]]\nname = "Water"\nqs = true\n' + "".join(
    f'[[ingredient]]\nname = "{name}"\nlow = 1\nhigh = 4\n' for name in NAMES
)
TOML += "".join(
    f'[[response]]\nname = "R{n}"\nmethod = "invented"\naim = "within"\nlow = {low}\nhigh = {high}\n'
    for n, (low, high) in enumerate([(0.5, 3.6), (1, 4)] * 6)
)
TOML += '[plan]\nmodel = "linear"\n'
MEMORY_MB = 1500


def spent(call, seconds, what, capsys):
    """What `call` gives, within processor time and memory."""
    began = time.process_time()
    out = call()
    used, most = time.process_time() - began, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
    with capsys.disabled():
        sys.stdout.write(f"{what}: {used:.1f} s of processor time, {most:.0f} MB at most\n")
    assert used < seconds
    assert most < MEMORY_MB
    return out


def history(study, rows):
    """A table of trials made before, with every response."""
    rng = np.random.default_rng(4)
    lines = [",".join(["trial", *NAMES, *(f"R{n}" for n in range(12))])]
    for row in range(rows):
        levels = rng.uniform(1, 4, len(NAMES)).round(3)
        seen = [
            0.2 * levels[n % 11] + 0.7 * levels[(n + 3) % 11] + 0.1 * levels[(n + 5) % 11] * levels[n % 11]
            for n in range(12)
        ]
        lines.append(",".join([f"H{row}", *map(str, levels), *map(str, (seen + 0.3 * rng.normal(size=12)).round(3))]))
    return "\n".join(lines).encode()


def test_twelve_ingredients_are_read(capsys):
    spent(lambda: Study.from_toml(TOML).region.reach, 20, "check of 12 ingredients and 12 responses", capsys)


def test_five_thousand_trials_made_before(capsys):
    study = Study.from_toml(TOML)
    table = history(study, 5000)
    results = spent(
        lambda: take_in(study, tables_from_bytes(table, "h.csv")), 120, "5 000 trials x 12 responses", capsys
    )
    assert len(results.batches) == 5000


def test_a_table_of_a_hundred_thousand_rows_is_refused_at_once(capsys):
    def refused():
        with pytest.raises(StudyError, match="at most 20000 rows"):
            tables_from_bytes(b"trial,pH\n" + b"T01,5\n" * 100_000, "long.csv")

    spent(refused, 5, "a table of 100 000 rows", capsys)


def test_two_hundred_trials(capsys):
    study = Study.from_toml(TOML)
    design = spent(lambda: plan(study, runs=200), 600, "a plan of 200 trials in 12 ingredients", capsys)
    assert len(design.table) == 200


def test_two_hundred_trials_with_twelve_responses_from_fit_to_report(tmp_path, capsys):
    study = Study.from_toml(TOML)
    results = take_in(study, tables_from_bytes(history(study, 200), "h.csv"))
    models = spent(lambda: fit(study, results), 60, "fit of 12 responses in 200 trials", capsys)
    best = spent(lambda: find(study, models), 180, "the formula", capsys)
    spent(lambda: next_trials(study, models, results=results, confirm=3, best=best), 30, "batches to confirm", capsys)
    spent(lambda: next_trials(study, models, results=results, learn=6, best=best), 120, "trials to learn from", capsys)
    page = tmp_path / "report.html"
    spent(lambda: write_report(page, study, results=results, models=models, best=best), 240, "the report", capsys)
    assert page.stat().st_size < 20_000_000


def test_a_journal_of_a_hundred_thousand_entries(tmp_path, capsys):
    (tmp_path / "study.toml").write_text(TOML, encoding="utf-8")
    (tmp_path / "results").mkdir()
    (tmp_path / "results/readings.csv").write_bytes(b"invented")
    study, table = (journal.fingerprint(tmp_path / name) for name in ("study.toml", "results/readings.csv"))
    last = None
    with (tmp_path / journal.NAME).open("wb") as log:
        for _ in range(100_000):
            last = journal.written(
                last, "record", {"study.toml": study}, {"results/readings.csv": table}, why="invented"
            )
            log.write(journal.line_of(last))
    assert spent(lambda: inspect(tmp_path), 30, "verify of 100 000 entries", capsys) == ()
    lines = (tmp_path / journal.NAME).read_bytes().split(b"\n")
    lines[70_000], lines[70_001] = lines[70_001], lines[70_000]
    (tmp_path / journal.NAME).write_bytes(b"\n".join(lines))
    found = spent(lambda: inspect(tmp_path), 30, "verify of 100 000 entries, two of them swapped", capsys)
    assert "line 70001" in found[0].where
