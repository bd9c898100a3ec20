"""Playing with the live formula: what a test asks of the page, and what stands on its sheet."""

import json

import numpy as np
import pandas as pd
import pytest


def random_formulas(study, n):
    """Recipes spread over the region, their categories told as the page tells them."""
    region = study.region
    X = region.sample(n, seed=3)
    frame = pd.DataFrame(X, columns=list(region.names))
    combos = region.combinations
    for name in region.categories:
        frame[name] = [combos[i % len(combos)][name] for i in range(n)]
    return frame


def told(page, frame):
    """What the page says of recipes, at full precision."""
    ask = """rows => rows.map((row, i) => {
        const found = blendwright.predict(row);
        const responses = Object.fromEntries(Object.entries(found.responses).map(([name, one]) =>
            [name, [one.value, one.confidence ? one.confidence() : null, one.prediction, one.chance,
                one.tolerance && i < 6 ? one.tolerance() : null]]));
        const trade = found.findings.map((one) => [one.code, one.where, one.got]);
        const { chance, error, interval, cost } = found;
        return { responses, chance, error, interval, cost, trade, in_hull: found.inHull() };
    })"""
    return page.evaluate(ask, json.loads(frame.to_json(orient="records", double_precision=15)))


def code_levels(page, study):
    """The levels on the sheet, read from its code; the fill makes up the rest."""
    parts = page.input_value(".live-code").split("_")[1:]
    names = [name for name in study.region.names if name != study.region.fill]
    levels = {name: float(part) for name, part in zip(names, parts, strict=False)}
    for name, letter in zip(study.region.categories, parts[len(names) :], strict=True):
        levels[name] = study.region.categories[name][ord(letter) - 97]
    return pd.DataFrame([levels])


def settle(page):
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")


def look_for_the_best(page):
    page.get_by_role("button", name="Best of the rest").click()
    settle(page)  # until the button is drawn again it says the same before a search as after it
    page.locator(".live-find", has_text="Best of the rest").wait_for()
    settle(page)


def as_asked(frame):
    """The formulas to the very digits that the page was asked for."""
    return pd.DataFrame(json.loads(frame.to_json(orient="records", double_precision=15)))


def agrees(models, frame, seen):
    """What a page told of formulas is what the models say: to 1e-9, chances by the same nodes."""
    for name, model in models.items():
        law = models.predictive(name, frame)
        known = [model.scale.back(part) for part in (law.median(), law.mean_interval(), law.batch_interval())]
        parts = [np.array([row["responses"][name][i] for row in seen], dtype=float) for i in range(2)]
        assert parts == [pytest.approx(part, rel=1e-9) for part in known[:2]]
        if model.kind != "pass":
            assert np.array([row["responses"][name][2] for row in seen]) == pytest.approx(known[2], rel=1e-9)
            tolerance = model.scale.back(law.at(slice(6)).tolerance())
            assert np.array([row["responses"][name][4] for row in seen[:6]]) == pytest.approx(tolerance, rel=1e-9)
        assert [row["responses"][name][3] for row in seen] == pytest.approx(law.chance(*model.window), abs=1e-9)
    assert [row["in_hull"] for row in seen] == models.in_hull(frame).tolist()
    joint, interval = models.joint(frame)
    # The same nodes as `optimise.models.chance`: far within the error bar that goes with the chance.
    assert [row["chance"] for row in seen] == pytest.approx(joint, abs=1e-9)
    assert np.array([row["interval"] for row in seen]) == pytest.approx(interval, abs=1e-6)
