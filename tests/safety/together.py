"""Two processes that record into one study at the same moment, each its half of the results."""

import csv
import json
import shutil

from small_study import table_of_runs

from studies import journal
from studies.inspection import inspect


def halves(planned, root):
    """The table of results cut in two files, and all trials."""
    runs = json.loads((planned / "plan/round-1/plan.json").read_text(encoding="utf-8"))["runs"]
    head, *rows = table_of_runs(runs).splitlines()
    files = []
    for name, part in (("first", rows[:5]), ("second", rows[5:])):
        files.append(root / f"{name}.csv")
        files[-1].write_text("\n".join([head, *part]) + "\n", encoding="utf-8")
    return files, sorted(row.split(",")[0] for row in rows)


def record_at_once(servers, planned, place, files, trials):
    """One round: both record, and everything is there afterwards. Fails where it is not."""
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(planned, place)
    for server, file in zip(servers, files, strict=True):
        server.start("record", place, file)
    for server in servers:
        ended = server.ended()
        assert ended["code"] == 0, ended["said"]
    with (place / "results/readings.csv").open(encoding="utf-8", newline="") as opened:
        rows = list(csv.DictReader(opened))
    assert sorted({row["trial"] for row in rows}) == trials
    assert len(rows) == 2 * len(trials)
    assert [entry.command for entry in journal.read(place)] == ["plan", "record", "record"]
    assert [p for p in inspect(place) if p.level == "stop"] == []
    assert len(list((place / "results/originals").iterdir())) == 2
