"""What the trials say and what to make: models, chance, search, next trials."""

from optimise.models import Models, fit
from optimise.optimum import Optimum
from optimise.search import find
from optimise.upcoming import Upcoming, next_trials

__all__ = ["Models", "Optimum", "Upcoming", "find", "fit", "next_trials"]
