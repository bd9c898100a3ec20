"""What is said under pictures of effects."""

from reports.facts import Effect, Spec
from reports.wording.effects import effect_reading


def test_a_choice_and_the_level_of_one_ingredient_are_told_apart():
    spec = Spec("Feel", "score", "panel", "above", True, False, low=5)
    points = ((0.0, 7.0, 6.8, 7.2), (1.0, 8.0, 7.8, 8.2))
    gum = Effect("Gum up, Water down", "%", points, 0.5, 1.0)
    choice = Effect("Beads", "", points, 0.0, 1.0, levels=("a", "b"), slight=True)
    level = Effect("Beads up, Water down", "%", points, 0.5, 1.0, slight=True)
    said = effect_reading(spec, (gum, choice, level))
    assert said.endswith(
        ". The choice of Beads and the level of Beads move it less than one batch differs from the next."
    )
