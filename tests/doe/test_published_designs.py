"""Published and proven optima, found by `plan` as a user asks for them, from whatever seed."""

import numpy as np
import pytest

from doe import Study, plan


def factors(names, keys):
    text = '[study]\nname = "f"\n' + "".join(f'[[factor]]\nname = "{n}"\nlow = -1\nhigh = 1\n' for n in names)
    return Study.from_toml(text + f'[[response]]\nname = "y"\naim = "watch"\n[plan]\nreplicate_batches = 0\n{keys}\n')


def blend(keys):
    text = '[study]\nname = "b"\ntotal = 1\n' + "".join(
        f'[[ingredient]]\nname = "{n}"\nlow = 0\nhigh = 1\n' for n in "ABC"
    )
    return Study.from_toml(text + f'[[response]]\nname = "y"\naim = "watch"\n[plan]\nreplicate_batches = 0\n{keys}\n')


# Best determinants of the quadratic on the square: computed for this project by many-start optimisation; N = 6 is Box &
# Draper (1971), Technometrics 13, a = (4 - sqrt 13) / 3 (from memory); N = 9 is the 3 x 3 factorial.
SQUARE = {
    6: 267.7372192, 7: 980.770216, 8: 2361.729394, 9: 5184.0, 10: 9460.467178, 11: 17118.6316, 12: 30660.98851,
}  # fmt: skip


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("runs", SQUARE)
def test_quadratic_on_the_square(runs, seed):
    made = plan(factors("AB", 'model = "quadratic"\ncriterion = "D"'), runs=runs, seed=seed)
    x, y = made.table.to_numpy(dtype=float).T
    F = np.column_stack([np.ones(runs), x, y, x * x, y * y, x * y])
    assert np.linalg.det(F.T @ F) == pytest.approx(SQUARE[runs], rel=1e-4)


# An exact plan of p points or a multiple meets the approximate optimum with equal weights, so its efficiency is 1:
# Guest (1958) for polynomials on a line; Kiefer (1961), Uranisi (1964) for Scheffé models; from memory.
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("model,runs", [("linear", 3), ("quadratic", 6), ("special-cubic", 7), ("full-cubic", 10)])
def test_scheffe_models_on_the_simplex(model, runs, seed):
    made = plan(blend(f'model = "{model}"\ncriterion = "D"'), runs=runs, seed=seed)
    assert made.quality.d_efficiency == pytest.approx(1, abs=1e-4)
    inner = made.table.to_numpy(dtype=float)
    if model == "full-cubic":
        # Edge points at (1 -+ 1 / sqrt 5) / 2, corners and the centroid.
        places = [0, 1, 1 / 3, 0.5 - 0.5**0.5 * 0.1**0.5, 0.5 + 0.5**0.5 * 0.1**0.5]
    else:
        places = [0, 1, 0.5, 1 / 3]
    assert np.abs(inner[..., None] - np.array(places)).min(axis=-1).max() < 2e-3


@pytest.mark.parametrize("runs", [3, 6, 9])
def test_quadratic_on_a_line(runs):
    made = plan(factors("A", 'model = "quadratic"\ncriterion = "D"'), runs=runs)
    assert sorted(made.table["A"]) == pytest.approx(sorted([-1, 0, 1] * (runs // 3)), abs=1e-3)
    assert made.quality.d_efficiency == pytest.approx(1, abs=1e-4)
