"""What the trials say and what to make."""

from optimise.formula.optimum import Optimum
from optimise.models.fitted import FittedModel
from optimise.models.models import Models, fit
from optimise.search import find, tolerances
from optimise.upcoming.due import Due, due
from optimise.upcoming.upcoming import Upcoming, next_trials
from optimise.upcoming.verdict import confirmation

__all__ = [
    "Due",
    "FittedModel",
    "Models",
    "Optimum",
    "Upcoming",
    "confirmation",
    "due",
    "find",
    "fit",
    "next_trials",
    "tolerances",
]
