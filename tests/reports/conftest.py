"""One small invented job, from study to formula, shared by the tests of what people read."""

import shutil

import numpy as np
import pandas as pd
import pytest
from jobs import job_of

from doe import Study
from reports.gathering.gather import gather

TOML = """
[study]
name = "Small <b>invented</b> wash"
product = "rinse-off"
market = "EU"
batch_g = 200
batches_per_day = 4
batch_cost = 40
currency = "EUR"

[[ingredient]]
name = "Water"
qs = true
phase = "A"
inci = "Aqua"

[[ingredient]]
name = "Gum & co"
low = 0.2
high = 1.0
step = 0.05
phase = "A"
inci = "Xanthan Gum"
price_per_kg = 20

[[ingredient]]
name = "Wax"
low = 1
high = 5
phase = "B"
inci = [{ name = "Cera Alba", share = 0.6 }, { name = "Aqua", share = 0.4 }]
price_per_kg = 9

[[ingredient]]
name = "Buffer"
level = 0.3
phase = "B"
price_per_kg = 3

[[factor]]
name = "Speed"
unit = "rpm"
low = 100
high = 500

[[limit]]
rule = "Wax + 4 * 'Gum & co' <= 7"
why = "a paste"

[[response]]
name = "Thickness"
unit = "mPa.s"
method = "rotational (invented)"
scale = "log"
aim = "target"
low = 3000
target = 5000
high = 9000
sd = "8 %"

[[response]]
name = "Feel"
unit = "score"
method = "panel (invented)"
aim = "above"
low = 5
must = false
sd = 0.3

[[response]]
name = "Cost"
unit = "EUR/kg"
from = "cost_per_kg"
aim = "below"
high = 0.6

[[reference]]
name = "Old wash"
levels = { "Gum & co" = 0.4, Wax = 2.0, Speed = 300 }
measured = { Thickness = 1500, Feel = 4.0 }

[[step]]
does = "wet out <the gum>"

[plan]
model = "quadratic"
runs = 16
replicate_batches = 3
seed = 4
"""


def measured(table):
    """A known surface with a little fixed scatter."""
    gum, wax, speed = (table[n].to_numpy(dtype=float) for n in ("Gum & co", "Wax", "Speed"))
    rng = np.random.default_rng(5)
    thick = np.exp(7.2 + 2.6 * gum - 0.8 * gum**2 + 0.05 * wax + 0.07 * rng.normal(size=len(table)))
    feel = 3 + 1.5 * wax - 0.2 * wax**2 + 0.002 * speed + 0.25 * rng.normal(size=len(table))
    return pd.DataFrame({"Thickness": thick, "Feel": feel}, index=table.index)


@pytest.fixture(scope="session")
def job():
    return job_of(Study.from_toml(TOML), measured)


@pytest.fixture(scope="session")
def facts(job):
    return gather(job.study, design=job.design, results=job.results, models=job.models, best=job.best)


FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]


@pytest.fixture(scope="session")
def browser():
    """Chromium as it stands on the machine; nothing is downloaded."""
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Chromium is not on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture
def opened(browser):
    """Opens a file in a page of its own and watches it: any message, error or request but the file's own fails."""
    contexts, told = [], []

    def look(path, at="", **how):
        own = path.as_uri()
        context = browser.new_context(**how)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: told.append(message.text))
        page.on("pageerror", lambda error: told.append(str(error)))
        page.on(
            "request", lambda request: told.append(request.url) if request.url.split("#")[0] != path.as_uri() else 0
        )
        page.goto(own + at)
        return page

    yield look
    for context in contexts:
        context.close()
    assert told == []
