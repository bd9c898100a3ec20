"""Every command that writes, on the state of a study it is for: what the kill tests are run over."""

import json
import shutil
from pathlib import Path

from killing import Job
from small_study import SMALL, table_of_runs

FORMULA = "ingredient,phase,%\nWater,A,93.5\nGum,A,0.5\nWax,B,5\nPreservative,C,1\n"


def stages(server, root, last="found"):
    """A study at each stage of its life up to `last`, made by the commands themselves; stage -> folder."""
    root = Path(root)
    made = {}

    def stage(name, before, *words):
        place = root / name / "study"
        shutil.copytree(made[before], place)
        if words:
            ended = server.run(*[str(word).replace("@", str(place)) for word in words], warm=True)
            assert ended["code"] in (0, 1)
        made[name] = place
        return place

    first = root / "defined" / "study"
    first.mkdir(parents=True)
    (first / "study.toml").write_text(SMALL, encoding="utf-8")
    made["defined"] = first
    planned = stage("planned", "defined", "plan", "@")
    if last == "planned":
        return made
    runs = json.loads((planned / "plan/round-1/plan.json").read_text(encoding="utf-8"))["runs"]
    table = root / "returned.csv"
    table.write_text(table_of_runs(runs), encoding="utf-8")
    (root / "half.csv").write_text("\n".join(table.read_text(encoding="utf-8").splitlines()[:5]), encoding="utf-8")
    (root / "formula.csv").write_text(FORMULA, encoding="utf-8")
    stage("recorded", "planned", "record", "@", table)
    if last == "recorded":
        return made
    stage("aside", "recorded", "record", "@", "--set-aside", "T02", "--why", "spilt")
    stage("fitted", "recorded", "fit", "@")
    stage("found", "fitted", "optimise", "@", "--keep", "F1")
    return made


def jobs(root):
    """Command -> (stage it starts from, its words)."""
    root = Path(root)
    return {
        "new": (None, ["new", "@"]),
        "new from an example": (None, ["new", "@", "--from", "potting-shed"]),
        "new from a table": (None, ["new", "@", "--from", root / "formula.csv"]),
        "new form": (None, ["new", "@", "--form"]),
        "plan": ("defined", ["plan", "@"]),
        "plan replaced": ("planned", ["plan", "@", "--replace", "--seed", "11"]),
        "plan compared": ("defined", ["plan", "@", "--compare", "8,9"]),
        "plan withdrawn": ("planned", ["plan", "@", "--withdraw", "T08-T09", "--why", "no time"]),
        "record": ("planned", ["record", "@", root / "returned.csv"]),
        "record the rest": ("aside", ["record", "@", "--restore", "T02", "--why", "found again"]),
        "record a correction": ("recorded", ["record", "@", "--correct", "T03", "pH", "5.33", "--why", "typing"]),
        "record set aside": ("recorded", ["record", "@", "--set-aside", "T02", "--why", "spilt"]),
        "record unmakeable": ("planned", ["record", "@", "--set-aside", "T02", "--state", "unmakeable", "--why", "x"]),
        "fit": ("recorded", ["fit", "@"]),
        "fit again": ("found", ["fit", "@", "--terms", "all"]),
        "optimise": ("fitted", ["optimise", "@", "--keep", "F1"]),
        "report of a plan": ("planned", ["report", "@"]),
        "report": ("found", ["report", "@"]),
        "card": ("found", ["card", "@", "--formula", "F1"]),
        "next": ("found", ["next", "@", "--confirm", "2", "--formula", "F1"]),
        "next to learn": ("found", ["next", "@", "--learn", "2"]),
    }


def job(server, root, made, name):
    """The job of that name, in a folder of its own."""
    stage, words = jobs(root)[name]
    (Path(root) / "work").mkdir(exist_ok=True)
    return Job(server, words, made[stage] if stage else None, Path(root) / "work" / "study")
