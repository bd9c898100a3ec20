"""What the trials say and what to make."""

from optimise.fitted import FittedModel
from optimise.models import Models, fit

__all__ = ["FittedModel", "Models", "fit"]
