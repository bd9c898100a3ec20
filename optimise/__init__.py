"""What the trials say and what to make."""

from optimise.fitted import FittedModel
from optimise.models import Models, fit
from optimise.optimum import Optimum
from optimise.search import find, tolerances
from optimise.upcoming import Upcoming, confirmation, next_trials

__all__ = ["FittedModel", "Models", "Optimum", "Upcoming", "confirmation", "find", "fit", "next_trials", "tolerances"]
