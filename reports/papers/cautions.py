"""What to be careful of at the bench: only what applies to the materials, steps and readings of a study."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from doe.definition.kinds import is_acid_or_alkali, is_fragrance, is_preservative

if TYPE_CHECKING:
    from doe.definition.parts import Ingredient
    from doe.study import Study

_HOT_C = 40.0  # warmer than this is said to be hot on the sheet; common practice, no source


def is_hot(study: Study) -> bool:
    """Whether a step of making is hot enough to burn, and to drive off water."""
    return any(step.temp_c is not None and step.temp_c[1] > _HOT_C for step in study.steps)


def cautions(study: Study) -> tuple[str, ...]:
    """What to be careful of, for the materials and steps of this study; local rules come first."""

    def has(kind: Callable[[Ingredient], bool]) -> bool:
        return any(kind(item) for item in study.ingredients)

    said = []
    if is_hot(study) or any("melts_c" in item.facts for item in study.ingredients):
        said.append("Hot vessels, molten wax and steam burn: gloves, glasses, no closed vessel on the heat.")
    if any(item.role == "adjuster" for item in study.ingredients) or has(is_acid_or_alkali):
        said.append("Acids and alkalis are corrosive: add them drop by drop, and write down every gram.")
    if has(is_preservative):
        said.append("Preservatives can sensitise: no skin contact as supplied. "
                    "Whether a formula keeps is for a challenge test.")  # fmt: skip
    if has(is_fragrance):
        said.append("Fragrance can sensitise: mind its allergens.")
    if study.ingredients:
        said.append("No trial goes on skin before a safety assessor has released it.")
    said.append("Safety data sheets and your local rules come before this sheet.")
    return tuple(said)
