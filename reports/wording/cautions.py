"""What a prediction does not say: the cautions that stand with every report and formula card."""

from __future__ import annotations

_CAUTIONS = """
These are predictions for laboratory batches. A larger vessel heats, cools, shears and loses water differently.
Heat: hot phases burn, and a hot vessel holds more than it seems. Weigh a batch before and after heating.
Preservation is not decided here. Only a challenge test on the final product in its final pack decides it.
Skin: nothing here says how skin will take this formula. Nobody tries a trial batch on people before a qualified \
safety assessor has agreed to it.
pH agents are corrosive when strong: dilute them, add them slowly, and write down what was added; it is part of the \
composition.
Limits on ingredients and labels differ by country and change several times a year. Local regulation and a qualified \
safety assessor decide, not this report.
"""
CAUTIONS = tuple(_CAUTIONS.strip().splitlines())
