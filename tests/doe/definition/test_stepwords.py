"""A factor in braces in the words of a step stands there with its own level. Data invented."""

from doe.definition.parts import Factor, Step
from doe.definition.stepwords import at_levels, factors_named

FACTORS = (
    Factor("Stirring", "rpm", 200, 900),
    Factor("Vessel", levels=("steel", "glass")),
    Factor("Hold", low=0, high=1),
)


def test_numbers_bring_their_unit_and_categories_their_name():
    text = "stir at {Stirring} in the { Vessel } one, hold {Hold}, {Nothing}"
    said = at_levels(text, FACTORS, {"Stirring": 800.0, "Vessel": "glass", "Hold": 0.25})
    assert said == "stir at 800 rpm in the glass one, hold 0.25, Nothing"


def test_every_factor_named_in_a_step():
    assert factors_named(Step("warm to {Heat}", gate="clear at {Heat}, {Stirring}")) == ("Heat", "Heat", "Stirring")
    assert factors_named(Step("melt")) == ()
