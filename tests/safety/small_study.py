"""A small invented study that tests of several floors work on."""

import numpy as np

SMALL = """
[study]
name = "Small wash (invented for tests)"
batch_g = 400
batches_per_day = 4
batch_cost = 45.0

[[balance]]
name = "bench"
step_g = 0.01
repeat_g = 0.01
max_g = 4000

[[ingredient]]
name = "Water"
qs = true
phase = "A"
price_per_kg = 0.1

[[ingredient]]
name = "Gum"
low = 0.3
high = 0.8
phase = "A"
price_per_kg = 18.0

[[ingredient]]
name = "Wax"
low = 2
high = 6
phase = "B"
price_per_kg = 9.0

[[ingredient]]
name = "Preservative"
level = 1.0
phase = "C"
price_per_kg = 12.0

[[limit]]
rule = "Wax + Gum <= 6.5"

[[response]]
name = "Viscosity"
unit = "mPa.s"
method = "invented"
scale = "log"
aim = "within"
low = 12000
high = 30000
sd = "8 %"
matters = "20 %"

[[response]]
name = "pH"
unit = "pH"
method = "invented"
aim = "within"
low = 5.0
high = 5.8
sd = 0.06
matters = 0.2

[plan]
design = "optimal"
model = "linear"
runs = 9
replicate_batches = 2
seed = 5
"""


def table_of_runs(design_runs, seed=3):
    """An invented table of results for the runs of a plan document."""
    rng = np.random.default_rng(seed)
    rows = ["trial,Viscosity,pH"]
    for run in design_runs:
        gum, wax = run["levels"]["Gum"], run["levels"]["Wax"]
        viscosity = 18000 * (gum / 0.55) ** 2 * np.exp(0.05 * (wax - 4) + 0.05 * rng.standard_normal())
        rows.append(f"{run['trial']},{viscosity:.0f},{5.4 - 0.05 * (wax - 4) + 0.03 * rng.standard_normal():.2f}")
    return "\n".join(rows) + "\n"


def snapshot_of(folder):
    """Every file of a folder with its bytes."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
