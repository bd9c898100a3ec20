"""Results from which little or nothing can be learned, through the whole job: findings, no crash, no false number.

Named cases and random ones; each goes record, fit, predict, optimise, report, next, card at the command line. All of
them take minutes: they are run where BLENDWRIGHT_STUDIES is set, a few always.
"""

import json
import math
import os
import re

import numpy as np
import pytest

from studies.cli import main

TOML = """
[study]
name = "Degenerate (invented for tests)"

[[ingredient]]
name = "Water"
qs = true

[[ingredient]]
name = "Gum"
low = 0.2
high = 1.0

[[ingredient]]
name = "Wax"
low = 1
high = 5

[[response]]
name = "A"
method = "invented"
scale = "{scale}"
aim = "{aim}"
low = {low}
high = {high}

[[response]]
name = "B"
method = "invented"
aim = "watch"

[plan]
model = "quadratic"
"""


def grid(n, seed=0):
    rng = np.random.default_rng(seed)
    return rng.choice([0.2, 0.6, 1.0], n), rng.choice([1.0, 3.0, 5.0], n)


def smooth(gum, wax, seed=0, noise=0.1):
    return 5 + gum + 0.3 * wax + noise * np.random.default_rng(seed).normal(size=len(gum))


def case(name):
    """(levels Gum, Wax; A; B; scale, aim, low, high) of a named case."""
    gum, wax = grid(12)
    a, b = smooth(gum, wax), smooth(gum, wax, 1)
    how = {"scale": "linear", "aim": "within", "low": 4, "high": 9}
    same, missing = np.full(12, 6.0), [""] * 12
    six = np.array([0.2, 0.2, 1.0, 1.0, 0.6, 0.6]), np.array([1.0, 5.0, 1.0, 5.0, 3.0, 1.0])
    nine = np.repeat([0.2, 0.6, 1.0], 3), np.tile([1.0, 3.0, 5.0], 3)
    cases = {
        "one batch": lambda: (gum[:1], wax[:1], a[:1], b[:1], how),
        "two batches": lambda: (gum[:2], wax[:2], a[:2], b[:2], how),
        "as many batches as terms": lambda: (*six, smooth(*six), b[:6], how),
        "all equal": lambda: (gum, wax, same, b, how),
        "all zero": lambda: (gum, wax, 0 * same, b, {**how, "low": -1, "high": 1}),
        "all equal on a log scale": lambda: (gum, wax, same, b, {**how, "scale": "log"}),
        "auto scale, all equal": lambda: (gum, wax, same, b, {**how, "scale": "auto"}),
        "nothing read of one": lambda: (gum, wax, missing, b, how),
        "nothing read at all": lambda: (gum, wax, missing, missing, how),
        "one level of gum": lambda: (0 * gum + 0.6, wax, smooth(0 * gum + 0.6, wax), b, how),
        "one recipe only": lambda: (0 * gum + 0.6, 0 * wax + 3, smooth(0 * gum, 0 * wax), b, how),
        "two columns that move as one": lambda: (gum, 5 * gum, smooth(gum, 5 * gum), b, how),
        "tiny": lambda: (gum, wax, a * 1e-12, b * 1e-12, {**how, "low": 4e-12, "high": 9e-12}),
        "huge": lambda: (gum, wax, a * 1e11, b * 1e12, {**how, "low": 4e11, "high": 9e11}),
        "tiny on a log scale": lambda: (gum, wax, a * 1e-12, b, {**how, "scale": "log", "low": 4e-12, "high": 9e-12}),
        "huge, auto": lambda: (gum, wax, a * 1e11, b, {**how, "scale": "auto", "low": 4e11, "high": 9e11}),
        "huge beside its scatter": lambda: (gum, wax, 1e9 + a, b, {**how, "low": 1e9, "high": 1e9 + 20}),
        "perfect fit": lambda: (gum, wax, 5 + gum + 0.25 * wax, b, how),
        "perfect quadratic": lambda: (gum, wax, 5 + gum * wax - wax**2, b, {**how, "low": -30}),
        "every reading above": lambda: (gum, wax, [">8"] * 12, b, how),
        "every reading below, on a log scale": lambda: (gum, wax, ["<3"] * 12, b, {**how, "scale": "log"}),
        "all but one above": lambda: (gum, wax, [">8"] * 11 + ["7.5"], b, how),
        "half above": lambda: (gum, wax, [">6.4" if v > 6.4 else v for v in a], b, how),
        "a zero on a log scale": lambda: (gum, wax, np.append(a[:11], 0.0), b, {**how, "scale": "log"}),
        "negative, auto": lambda: (gum, wax, a - 10, b, {**how, "scale": "auto", "low": -9, "high": 0}),
        "a fraction of one on a logit scale": lambda: (
            gum, wax, np.append(a[:11] / 10, 1.0), b, {**how, "scale": "logit", "low": 0.1, "high": 0.9},
        ),
        "replicates that agree to the last digit": lambda: (
            np.tile(nine[0], 2), np.tile(nine[1], 2), np.tile(smooth(*nine), 2), np.tile(b[:9], 2), how,
        ),
        "six recipes twice to the last digit": lambda: (
            np.tile(six[0], 2), np.tile(six[1], 2), np.tile(a[:6], 2), b, how,
        ),
        "one value far away": lambda: (gum, wax, np.append(a[:11], 1e6), b, how),
        "asked for what cannot be": lambda: (gum, wax, a, b, {**how, "low": 400, "high": 900}),
    }  # fmt: skip
    return cases, cases[name]() if name else None


NAMES = tuple(case("")[0])
# What a fit of A must say, and whether it may give standard errors.
SAYS = {
    "one batch": ("no-error", False), "two batches": ("no-error", False), "all equal": ("all-equal", False),
    "all zero": ("all-equal", False), "all equal on a log scale": ("all-equal", False),
    "auto scale, all equal": ("all-equal", False), "one level of gum": ("aliased", True),
    "one recipe only": ("aliased", True), "two columns that move as one": ("aliased", True),
    "perfect fit": ("perfect-fit", False), "perfect quadratic": ("perfect-fit", False),
    "every reading above": ("nothing-read", False), "every reading below, on a log scale": ("nothing-read", False),
    "nothing read of one": ("nothing-read", False), "nothing read at all": ("nothing-read", False),
    "all but one above": ("over-range", False), "half above": ("over-range", True),
    "a zero on a log scale": ("scale", True), "a fraction of one on a logit scale": ("scale", True),
    "replicates that agree to the last digit": ("copied", True),
    "six recipes twice to the last digit": ("perfect-fit", False), "one value far away": ("outlier", True),
}  # fmt: skip


def random_case(seed):
    """Any mixture of few batches, stuck levels, blanks, bounds, copies, scales."""
    rng = np.random.default_rng(seed)
    n = int(rng.choice([1, 2, 3, 5, 8, 14]))
    gum, wax = grid(n, seed)
    if rng.random() < 0.4:
        gum = np.full(n, rng.choice([0.2, 1.0]))
    if rng.random() < 0.3:
        wax = 5 * gum
    size = 10.0 ** int(rng.choice([-12, -6, 0, 0, 6, 12]))
    values = []
    for kind in rng.choice(["smooth", "equal", "exact", "copied"], 2):
        y = {"smooth": smooth(gum, wax, seed), "equal": np.full(n, 6.0), "exact": 5 + gum + wax,
             "copied": np.repeat(smooth(gum, wax, seed)[:1], n) + gum}[str(kind)]  # fmt: skip
        cells = [float(v) for v in y * size]
        for i in range(n):
            chance = rng.random()
            cells[i] = "" if chance < 0.15 else f">{cells[i]!r}" if chance < 0.25 else cells[i]
        values.append(cells)
    how = {"scale": str(rng.choice(["linear", "log", "auto"])), "aim": str(rng.choice(["within", "above", "below"])),
           "low": 4 * size, "high": 9 * size}  # fmt: skip
    return gum, wax, *values, how


def text(value):
    return value if isinstance(value, str) else repr(float(value))


def written(place, gum, wax, a, b, how):
    folder = place / "study"
    folder.mkdir()
    (folder / "study.toml").write_text(TOML.format(**how), encoding="utf-8")
    rows = ["trial,Gum,Wax,A,B"]
    rows += [
        f"H{i},{text(g)},{text(w)},{text(x)},{text(y)}"
        for i, (g, w, x, y) in enumerate(zip(gum, wax, a, b, strict=True))
    ]
    table = place / "table.csv"
    table.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder, table


def finite(value):
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, dict):
        return all(finite(v) for v in value.values())
    return all(finite(v) for v in value) if isinstance(value, list) else True


def not_json(name):
    pytest.fail(f"{name} in the JSON")


COMMANDS = (
    ("fit",), ("fit", "--terms", "all"), ("fit", "--without", "T01"), ("predict", "--at", "Gum=0.5, Wax=2"),
    ("optimise",), ("next",), ("next", "--learn", "2", "--way", "A"), ("next", "--learn", "2"),
    ("card", "--batch", "1kg"), ("report",), ("status",),
)  # fmt: skip


SHORT = tuple(words for words in COMMANDS if len(words) == 1 or words == ("card", "--batch", "1kg"))


def through(place, capsys, *given):
    """Every document of the job by its command; nothing may crash, and nothing may be no number."""
    folder, table = written(place, *given)
    found = {}
    for words in (("record", str(table)), *(COMMANDS if WHOLE else SHORT)):
        line = [words[0], str(folder), *words[1:]]
        if words[0] == "record":
            line = ["record", str(folder), str(table)]
        capsys.readouterr()
        code = main([*line, "--json"])
        out = capsys.readouterr().out
        document = json.loads(out, parse_constant=not_json)
        assert code in (0, 1, 2), words
        assert finite(document), words
        if code == 2:
            assert document["problems"], words
            assert all(p["got"] and p["do"] for p in document["problems"] if p["level"] == "stop"), document["problems"]
        if words[0] in ("fit", "report", "predict"):
            again = main(line)
            shown = capsys.readouterr()
            assert again in (0, 1, 2)
            said = shown.out + shown.err
            assert not re.search(r"\b(nan|inf|Traceback|None)\b", said), (words, said)
        found[" ".join(words[:2])] = (code, document)
    page = folder / "report.html"
    if page.exists():
        assert not re.search(r">\s*[−-]?(nan|inf|None)\b(?!:)", page.read_text(encoding="utf-8"))
    return found


WHOLE = "BLENDWRIGHT_STUDIES" in os.environ
FEW = ("one batch", "all equal", "two columns that move as one", "perfect fit")


@pytest.mark.parametrize("name", NAMES if WHOLE else FEW)
def test_named(name, tmp_path, capsys):
    _, given = case(name)
    found = through(tmp_path, capsys, *given)
    _, document = found["fit"]
    word, sure = SAYS.get(name, ("", True))
    if word:
        assert word in [p["code"] for p in document["problems"]], name
    terms = document.get("responses", {}).get("A", {}).get("terms", [])
    assert any(isinstance(row["se"], float) for row in terms) == sure, name


@pytest.mark.parametrize("seed", range(40 if WHOLE else 1))
def test_random(seed, tmp_path, capsys):
    through(tmp_path, capsys, *random_case(seed))
