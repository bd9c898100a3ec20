"""The script's own numbers: written as `reports.numbers` writes them, and its laws against a reference library."""

import numpy as np
import pytest
from scipy import special, stats
from test_numbers import BATCHES, CHANCES

from reports import numbers
from reports.page.script import SCRIPTS

pytestmark = pytest.mark.browser


def test_numbers_are_written_as_in_python(browser):
    page = browser.new_page()
    source = (SCRIPTS / "numbers.js").read_text(encoding="utf-8")
    rng = np.random.default_rng(4)
    values = [*(rng.normal(size=200) * 10.0 ** rng.integers(-6, 8, size=200)).tolist(), 0.0, 0.125, 2.675, -3.45]
    values += [1e-7, 9.99e-8, -4.2e-9, 1e12, -7.25e14]
    errors = (np.abs(rng.normal(size=len(values))) * 10.0 ** rng.integers(-5, 5, size=len(values))).tolist()
    shares = [*CHANCES, *BATCHES, *(np.arange(1, 1000) / 1000).tolist(), *rng.random(100).tolist()]
    # On a step, between steps, and off every step by as many decimals.
    steps = [0.05, 0.1, 0.5, 1, 0.001, 2.5]
    levels = [[k * step + off, step] for step in steps for k in (0, 3, 17, 168) for off in (0, 0.03, 1 / 3, 1.25e-5)]
    # Beside a limit: at it, so near that usual digits would hide which side it lies on, and far.
    near = [(1.1 + off, 1.1) for off in (0, 0.002, -0.003, 2e-5, -4e-8, -0.2)] + [(1250.4, 1250.0), (3.041, None)]
    seen = page.evaluate(
        f"""([values, errors, shares, levels, near]) => {{ {source}
        return [values.map((v, i) => figure(v, errors[i])), values.map(v => figure(v)), values.map(exactly),
            values.map(v => money(v, "EUR")), values.map(v => money(v, "CHF")), shares.map(v => percent(v)),
            shares.map(v => batchesInWords(v, "batches")), shares.map(v => likely(v)),
            shares.map((v, i) => chanceBetween([v, shares[shares.length - 1 - i]])),
            values.map(v => levelText(v, null, 100)), levels.map(([v, step]) => levelText(v, step, 100)),
            near.map(([v, end]) => money(v, "EUR", end)), near.map(([v, end]) => figureBeside(v, [null, end]))]; }}""",
        [values, errors, shares, levels, near],
    )
    known = [
        [numbers.figure(v, e) for v, e in zip(values, errors, strict=True)],
        [numbers.figure(v) for v in values],
        [numbers.exactly(v) for v in values],
        [numbers.money(v, "EUR") for v in values],
        [numbers.money(v, "CHF") for v in values],
        [numbers.percent(float(v)) for v in shares],
        [numbers.batches_in_words(float(v), "batches") for v in shares],
        [numbers.likely(float(v)) for v in shares],
        [numbers.chance_between(*map(float, ends)) for ends in zip(shares, reversed(shares), strict=True)],
        [numbers.level(v, None, 100) for v in values],
        [numbers.level(v, step, 100) for v, step in levels],
        [numbers.money(v, "EUR", end) for v, end in near],
        [numbers.beside(v, (None, end)) for v, end in near],
    ]
    for a, b in zip(seen, known, strict=True):
        assert a == b
    page.close()


def test_the_laws_agree_with_a_reference_library(browser):
    page = browser.new_page()
    source = (SCRIPTS / "special.js").read_text(encoding="utf-8")
    z = np.linspace(-37, 8, 400).tolist()
    p = [*np.geomspace(1e-15, 0.5, 200).tolist(), *np.linspace(0.5, 1 - 1e-12, 200).tolist()]
    t = np.linspace(-60, 60, 301).tolist()
    dfs = [1, 2, 2.5, 7, 8, 21, 60, 400]
    seen = page.evaluate(
        f"""([z, p, t, dfs]) => {{ {source}
        return [z.map(ndtr), p.map(ndtri), dfs.map(df => t.map(tLaw(df).cdf)),
            dfs.map(df => t.map(tLaw(df).density))]; }}""",
        [z, p, t, dfs],
    )
    assert seen[0] == pytest.approx(special.ndtr(z).tolist(), rel=1e-12)
    assert seen[1] == pytest.approx(special.ndtri(p).tolist(), rel=1e-12, abs=1e-12)
    for df, cdf, density in zip(dfs, seen[2], seen[3], strict=True):
        assert cdf == pytest.approx(stats.t.cdf(t, df).tolist(), rel=1e-10)
        assert density == pytest.approx(stats.t.pdf(t, df).tolist(), rel=1e-11)
    page.close()
