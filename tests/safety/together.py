"""Two processes in one study at the same moment: both record, each its half of the results, or one only looks."""

import contextlib
import csv
import io
import json
import shutil
import time

from small_study import table_of_runs

from studies import journal
from studies.cli import main
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


LOOKS = ("status", "verify", "status", "predict --at Gum=0.5,Wax=4", "status")


def look_while_one_records(writer, place, number, known):
    """One round: a correction goes in step by slow step, and whoever looks sees the study before or after it.

    `known` is what each look gives before; it is brought up to date. Returns how many looks began in the midst of it.
    """
    value = f"{5.1 + number % 50 / 100:.2f}"
    writer.start("record", place, "--correct", "T03", "pH", value, "--why", f"round {number}", pause=0.004)
    while not (place / ".pending" / "manifest.json").exists():
        time.sleep(0.001)
    looks = [look for look in LOOKS if look in known]
    seen, midst = [], 0
    for look in looks:
        midst += (place / ".pending" / "manifest.json").exists()
        seen.append((look, seen_by(look, place)))
    ended = writer.ended()
    assert ended["code"] == 0, ended["said"]
    after = {look: seen_by(look, place) for look in dict.fromkeys(looks)}
    assert after["status"] != known["status"]
    for look, document in seen:
        assert document in (known[look], after[look]), f"round {number}, {look}: neither before nor after"
    known |= after
    return midst


def seen_by(look, place):
    """What a command that only looks says, as JSON."""
    command, *rest = look.split()
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        code = main([command, str(place), *rest, "--json"])
    document = json.loads(said.getvalue())
    assert code == 0, document["problems"]
    return document
