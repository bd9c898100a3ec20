"""Every check of the trade in one table: its code, what it asks, by which formula, from where, and how grave it is.

Checks make their findings through this table, and the table of README.md in this folder is printed from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from doe.problems import Level

PRACTICE = "common practice, no source"
ANNEX = "Regulation (EC) No 1223/2009"


@dataclass(frozen=True, slots=True)
class Rule:
    """One check. `levels` are those its findings may have, the usual one first."""

    code: str
    asks: str
    formula: str
    levels: tuple[Level, ...]
    source: str


_RULES = (
    Rule("K03", "what a diluted material is made of is known", "assay below 1 without made_of or INCI shares",
         ("inform",), PRACTICE),
    Rule("K11", "no substance above its legal maximum, counted in its legal form",
         "sum over materials of level x share x (molar mass of the acid x acids per salt / molar mass of the salt)",
         ("stop",), "each line of legal_limits.toml or [[law]] names its own; molar masses: standard atomic weights"),
    Rule("K12", "the list of legal limits covers the market and the materials, and is not old",
         "months since the edition of a line that is used, against 12", ("inform", "warn"), PRACTICE),
    Rule("K13", "enough of a preservative acid is undissociated over the pH window and at the pH measured",
         "1 / (1 + 10^(pH - pKa)), against 10 % (our choice)", ("warn", "inform"),
         "Henderson-Hasselbalch; pKa: Steinberg (2005), J. Cosmet. Sci. 56(5), p. 361, and J. Soc. Cosmet. Chem. 18 "
         "(1967) 211"),
    Rule("K15", "the pH windows of all materials and of the product have room in common",
         "highest low to lowest high, less twice the sd of a pH reading (0.05 unless the response gives sd)",
         ("stop",), PRACTICE),
    Rule("ph-outside", "the pH measured or predicted lies in the window of every material", "ph_low <= pH <= ph_high",
         ("warn",), PRACTICE),
    Rule("K16", "fragrance allergens that have to be on the label",
         "sum over all materials of level x share, above 0.001 % (leave-on) or 0.01 % (rinse-off)", ("inform",),
         f"{ANNEX}, Annex III, thresholds as in Regulation (EU) 2023/1545"),
    Rule("K17", "no solid particles of a synthetic polymer",
         "level >= 0.01 % with d50 or d90 up to 5 mm, unless natural, degradable or soluble above 2 g/l",
         ("stop", "warn", "inform"), "Regulation (EU) 2023/2055 (Annex XVII of REACH, entry 78), read in summaries"),
    Rule("K18", "no anionic material beside a cationic one", "ionic character as given, or as the INCI name tells",
         ("warn",), PRACTICE),
    Rule("gum-pair", "no gum beside sugar surfactant or betaine, no carbomer beside salt, untried", "INCI names",
         ("inform",), "a trade thread on gums in washes, read; carbomer and salt: common practice, no source"),
    Rule("K19", "the HLB of the emulsifiers is near what the oils require",
         "means weighted by level: sum(w HLB) / sum(w) over emulsifiers, sum(w required HLB) / sum(w) over oils; "
         "1 apart at most", ("inform",), "Griffin (1949) J. Soc. Cosmet. Chem. 1, 311; (1954) 5, 249; from memory"),
    Rule("emulsifier-share", "emulsifier enough for the oil", "sum of emulsifiers / sum of oils, at least 0.10",
         ("inform",), PRACTICE),
    Rule("K21", "particles that rise instead of sinking are known to",
         "density of the particle less that of the base, 1 / sum(w / density) over all that is no particle", ("warn",),
         "mass balance; densities as given"),
    Rule("K22", "the yield value is enough to hold the largest particles",
         "5 x 0.143 / 3 x |density difference| g d, d the d90 (else d50); 5 is a safety factor",
         ("warn", "inform"), "Beris, Tsamopoulos, Armstrong & Brown (1985) J. Fluid Mech. 158, 219-244; the factor: "
         "common practice (5 to 10), no source"),
    Rule("K23", "without a yield value, particles move slowly enough",
         "d^2 |density difference| g / (18 low-shear viscosity), against 1 mm in 90 days (our choice)", ("warn",),
         "Stokes (1851), from memory; xanthan alone shows no true yield value: Chen & Zatz (1992) J. Soc. Cosmet. "
         "Chem. 43, 1-12"),
    Rule("bead-load", "particles that are to be seen are neither few nor many", "level of all together from 1 to 4 %; "
         "about 2 % reads as a good amount", ("inform",), PRACTICE),
    Rule("K28", "thickness rises with a power of the gum in the water", "slope of ln viscosity (or yield value) by "
         "ln(gum / water) over batches as made, all else linear; 2 to 4 is usual", ("inform",),
         "scaling of entangled chains, from memory; the range: common practice"),
    Rule("K46", "humectant enough to wet out the gum, and in the steps before it meets water",
         "sum of humectants / sum of gums, at least 3; order of steps", ("warn",), PRACTICE),
    Rule("use-range", "each material within its supplier's use range", "use_low <= level <= use_high, where it is in",
         ("warn",), "the supplier's papers, as given"),
    Rule("name-differs", "what is given of a material goes with what its INCI name tells", "charge, polymer",
         ("inform",), PRACTICE),
    Rule("density-unknown", "the base that particles stand in has a density", "materials of 2 % and more without one "
         "count as 1 g/ml", ("inform",), "mass balance; densities as given"),
    Rule("mass-unit", "levels are shares of mass", "unit of [study]", ("inform",), "checks of the trade count mass"),
    Rule("K05", "what boils off is made up, or weighed", "all but water times 1 / (1 - loss), against weigh_tolerance",
         ("warn",), "mass balance"),
    Rule("K20", "what melts is melted, what does not stand heat is spared it, in the steps as given",
         "hot stage >= melting points up to 100 C + 5 C; beads <= melting point - 20 C; fragrance <= 40 C, or max_c",
         ("warn",), PRACTICE),
    Rule("temp-unit", "temperatures of steps are in degrees Celsius", "temp_c up to 105 C, where water boils away",
         ("warn",), PRACTICE),
    Rule("K27", "viscosity is judged when it is all there", "after_h of at least 24", ("inform",), PRACTICE),
    Rule("K42", "the force of a centrifuge is known", "speed with a radius: 1.118e-5 r n^2, r in cm, n in rpm; or x g",
         ("warn",), "angular speed squared times radius over standard gravity"),
    Rule("beads-last", "beads go in last but for pH", "order of steps", ("inform",), PRACTICE),
    Rule("beads-stirred", "beads are stirred gently", "at most 300 rpm", ("warn",), PRACTICE),
    Rule("ph-last", "pH is set when all else is in", "order of steps", ("warn",), PRACTICE),
    Rule("ph-warm", "pH is set near the temperature it is measured at", "at most 30 C", ("warn",), PRACTICE),
    Rule("not-taken", "a step takes every ingredient", "takes of [[step]]", ("warn",), "the study itself"),
)  # fmt: skip

RULES: Mapping[str, Rule] = MappingProxyType({rule.code: rule for rule in _RULES})


def table() -> str:
    """The table of all checks as it stands in README.md: code, what is asked, formula, level, source."""
    rows = ["| code | what is asked | formula | level | source |", "|---|---|---|---|---|"]
    for r in _RULES:
        cells = (r.code, r.asks, r.formula, " or ".join(r.levels), r.source)
        rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(rows) + "\n"
