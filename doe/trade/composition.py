"""What a recipe is made of: every material taken apart to its INCI names, water, dry residue, natural-origin share.

All are sums of level x share, so that each is a row of coefficients over the ingredients.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from doe.definition.categories import NONE, PRESENT, material_of
from doe.definition.kinds import is_water
from doe.definition.materials import label
from doe.definition.parts import Ingredient
from doe.problems import Unavailable
from doe.trade.acids import acids_of
from doe.trade.settling import WATER_DENSITY

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]

AQUA = "Aqua"
_WATER = frozenset({"aqua", "water", "purified water", "deionised water", "demineralised water", "aqua (water)"})
_DEEPEST = 8  # premixes of premixes; what is made of itself is refused before
NOT_MASS = ("v/v", "vol", "mol", "ml", "/l", "/m3", "ppm")


def counts_mass(unit: str) -> bool:
    """Whether levels in `unit` are shares of mass, which checks of the trade need."""
    plain = unit.casefold().replace(" ", "")
    return not any(word in plain for word in NOT_MASS)


def taken_apart(
    item: Ingredient, known: Mapping[str, Ingredient], share: float = 1.0, depth: int = 0
) -> tuple[tuple[Ingredient, float], ...]:
    """What a premix is made of, to the last: materials of the study with their facts, names by themselves; and shares.

    `made_of` is followed where no INCI shares are given. A material that is no premix is its own only part.
    """
    if not item.made_of or len(item.inci) > 1 or depth >= _DEEPEST:
        return ((item, share),)
    strange = [name for name in item.made_of if name.casefold() not in _WATER and name not in known]
    out: list[tuple[Ingredient, float]] = []
    for name, part in item.made_of.items():
        if name in known and name.casefold() not in _WATER:
            out += taken_apart(known[name], known, share * part, depth + 1)
            continue
        inci = item.inci[0][0] if item.inci and strange == [name] else name
        out.append((Ingredient(name, "fixed", inci=((inci, 1.0),)), share * part))
    return tuple(out)


def exploded(item: Ingredient, known: Mapping[str, Ingredient], *, active: bool = False) -> dict[str, float]:
    """The share of each INCI name in a material as supplied, taken apart; they add up to 1.

    A name without INCI stands for itself; where its solids are given, the rest of it is water. With `active`, a single
    INCI name counts its assay only, and the rest is left out.
    """
    out: dict[str, float] = {}
    for part, share in taken_apart(item, known):
        names = part.inci or ((AQUA if is_water(part) else part.name, 1.0),)
        dry = float(part.facts.get("solids", 1.0)) if len(names) == 1 and not is_water(part) else 1.0
        for name, of_it in names:
            key = AQUA if name.casefold() in _WATER else name
            counts = part.assay if active and len(names) == 1 and (key != AQUA or not part.inci) else dry
            out[key] = out.get(key, 0.0) + share * of_it * counts
        if dry < 1.0:
            out[AQUA] = out.get(AQUA, 0.0) + share * (1.0 - dry)
    return out


def volume_of(parts: Sequence[tuple[Ingredient, float]]) -> tuple[float, float]:
    """The volume [ml] of parts given in grams, mixed without change of volume; and the grams whose density is known.

    Water's is known; what has none counts as 1 g/ml.
    """
    volume = known = 0.0
    for part, grams in parts:
        density = part.facts.get("density", WATER_DENSITY if is_water(part) else None)
        volume += grams / (1.0 if density is None else float(density))
        known += 0.0 if density is None else grams
    return volume, known


@dataclass(frozen=True, slots=True, eq=False)
class Stock:
    """The materials of a study at one choice of them, as arrays over its m ingredients.

    `parts` are the materials in each, with their shares of it, `telling` those that tell of one thing: every check
    asks these, so that a premix hides nothing. `declared` and `active` (m, q) are the shares of the INCI names `inci`
    in each material as supplied; `water` (m,) is the share of water. `present` names the ingredients that stand there
    at all with this choice.
    """

    study: Study
    chosen: Mapping[str, Any]
    items: tuple[Ingredient, ...]
    present: tuple[bool, ...]
    parts: tuple[tuple[tuple[Ingredient, float], ...], ...]
    inci: tuple[str, ...]
    declared: Array
    active: Array
    water: Array
    total: float

    @classmethod
    def of(cls, study: Study, chosen: Mapping[str, Any] | None = None) -> Stock:
        """The stock of a study; `chosen` are category levels, of which those of materials count."""
        picks = {i.name: (chosen or {}).get(material_of(i.name)) for i in study.ingredients}
        items = tuple(item.of(picks[item.name]) for item in study.ingredients)
        known = {item.name: item for item in items}
        called = [_called(item, picks[item.name]) for item in items]
        declared = [exploded(item, known) for item in called]
        active = [exploded(item, known, active=True) for item in called]
        spelt: dict[str, str] = {}
        for shares in declared:
            for name in shares:
                spelt.setdefault(name.casefold(), name)
        place = {name: i for i, name in enumerate(spelt)}
        tables = np.zeros((2, len(items), len(spelt)))
        for table, rows in zip(tables, (declared, active), strict=True):
            for row, shares in zip(table, rows, strict=True):
                for name, share in shares.items():
                    row[place[name.casefold()]] += share
        water = tables[0][:, place[AQUA.casefold()]] if AQUA.casefold() in place else np.zeros(len(items))
        there = tuple(picks[i.name] != NONE and not i.withdrawn for i in study.ingredients)
        parts = tuple(taken_apart(item, known) for item in items)
        return cls(
            study, dict(chosen or {}), items, there, parts, tuple(spelt.values()), tables[0], tables[1], water,
            study.total,
        )  # fmt: skip

    @property
    def names(self) -> tuple[str, ...]:
        """The ingredients, in file order."""
        return tuple(item.name for item in self.items)

    @property
    def labels(self) -> tuple[str, ...]:
        """The ingredients as findings name them: with the material that stands in their place, where there is one."""
        picks = [self.chosen.get(material_of(item.name)) for item in self.items]
        return tuple(
            label(item.name, str(pick)) if pick is not None and pick not in (NONE, PRESENT) else item.name
            for item, pick in zip(self.items, picks, strict=True)
        )

    def facts(self, key: str) -> Array:
        """One numeric fact of every ingredient, (m,); NaN where it is not given."""
        values = [item.facts.get(key) for item in self.items]
        return np.array([np.nan if value is None else float(value) for value in values])

    @property
    def windows(self) -> tuple[Array, Array]:
        """Lowest and highest pH of every ingredient, (m,) each; NaN where none is given.

        A premix that gives none has that of its parts.
        """
        low, high = self.facts("ph_low"), self.facts("ph_high")
        for row, parts in enumerate(self.parts):
            lows = [float(part.facts["ph_low"]) for part, _ in parts if "ph_low" in part.facts]
            highs = [float(part.facts["ph_high"]) for part, _ in parts if "ph_high" in part.facts]
            if np.isnan(low[row]) and np.isnan(high[row]):
                low[row], high[row] = max(lows, default=np.nan), min(highs, default=np.nan)
        return low, high

    def window(self, row: int) -> tuple[float | None, float | None]:
        """Lowest and highest pH of one ingredient, None where it is not given."""
        low, high = (float(ends[row]) for ends in self.windows)
        return None if np.isnan(low) else low, None if np.isnan(high) else high

    def apart(self, rows: Sequence[int]) -> str:
        """The limit that keeps two materials apart, in words, where each stands there by choice; else nothing."""
        picks = [(self.names[row], self.chosen.get(material_of(self.names[row]))) for row in rows]
        if len(set(rows)) < 2 or any(pick is None for _, pick in picks):
            return ""
        (first, one), (second, other) = picks
        return f'; or a limit that keeps the two apart: rule = "{first} is not {one}", when = "{second} is {other}"'

    def telling(self, row: int, fact: str) -> tuple[tuple[Ingredient, float], ...]:
        """What tells of one fact: the material itself where it gives it, else its parts; each with its share."""
        return ((self.items[row], 1.0),) if fact in self.items[row].facts else self.parts[row]

    def acids(self, row: int) -> tuple[tuple[str, float, float], ...]:
        """The preservative acids of one ingredient: (name, pKa, grams of acid in a gram as supplied)."""
        found: dict[str, tuple[float, float]] = {}
        known = {item.name: item for item in self.items}
        for part, share in self.telling(row, "acid"):
            for name, pka, brings in acids_of(part, exploded(part, known, active=True)):
                found[name] = (pka, found.get(name, (pka, 0.0))[1] + share * brings)
        return tuple((name, pka, brings) for name, (pka, brings) in found.items())

    def one(self, row: int, weight: float = 1.0) -> Array:
        """A share (m,) of one material alone."""
        out = np.zeros(len(self.items))
        out[row] = weight
        return out

    def percent(self, share: npt.ArrayLike) -> dict[str, float]:
        """Weights over levels that give % of the product, for a share (m,) of each material; weights of 0 left out."""
        weights = 100.0 / self.total * np.asarray(share, dtype=float)
        return {name: float(w) for name, w in zip(self.names, weights, strict=True) if w}

    @property
    def volumes(self) -> Array:
        """The volume [ml] of a gram of each material, (m,): by its density, else by those of its parts."""
        return np.array([volume_of(self.telling(row, "density"))[0] for row in range(len(self.items))])


def solids(stock: Stock) -> Array:
    """The dry residue of each material as supplied, as a fraction (m,): as given, else all but its water."""
    given = stock.facts("solids")
    return np.where(np.isnan(given), 1.0 - stock.water, given)


def natural_share(stock: Stock, *, water: bool) -> tuple[Array, Array] | Unavailable:
    """Natural-origin index of each material (m,), and what it is weighted by (m,): 1, or 0 for water left out.

    The natural-origin content of a product is the mean of the indexes of its materials, weighted by mass; water has
    the index 1 (ISO 16128-2:2017, read in summaries). `water=False` leaves water itself out.
    """
    given = stock.facts("natural_share")
    pure = np.array([is_water(item) for item in stock.items])
    index = np.where(np.isnan(given) & pure, 1.0, given)
    missing = [
        item.name for item, value, is_in in zip(stock.items, index, stock.present, strict=True)
        if is_in and np.isnan(value)
    ]  # fmt: skip
    if missing:
        return Unavailable(f"no natural_share for {', '.join(missing)}", "give natural_share for each ingredient")
    counted = np.where(pure & (not water), 0.0, 1.0)
    return np.nan_to_num(index) * counted, counted


def is_unnamed(item: Ingredient) -> bool:
    """Whether a material has no INCI name to declare: none is given, it is no premix, and not water."""
    return not item.inci and not item.made_of and not is_water(item)


def _called(item: Ingredient, material: object) -> Ingredient:
    """The material that was chosen by its own name where it has no INCI name, not by that of its place."""
    chosen = isinstance(material, str) and material not in (NONE, PRESENT)
    return replace(item, inci=((str(material), 1.0),)) if chosen and is_unnamed(item) else item


def unknown_rest(stock: Stock) -> list[Ingredient]:
    """Materials that are diluted and do not say with what."""
    return [i for i in stock.items if i.assay < 1 and not i.made_of and len(i.inci) < 2 and "solids" not in i.facts]


def declaration(stock: Stock, levels: Sequence[float]) -> tuple[tuple[str, float], ...]:
    """INCI names with their share in % of the product, in descending order, equal ones by name."""
    shares = 100.0 * np.asarray(levels, dtype=float) @ stock.declared / stock.total
    rows = [(name, float(share)) for name, share in zip(stock.inci, shares, strict=True) if share > 1e-12]
    return tuple(sorted(rows, key=lambda row: (-round(row[1], 9), row[0])))
