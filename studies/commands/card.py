"""`card`: the card of a chosen formula, for a batch of any size."""

from __future__ import annotations
