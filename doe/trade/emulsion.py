"""Oil, emulsifier, gum and charge: what does not go together, and what there is too little of."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import product

import numpy as np
import numpy.typing as npt

from doe.definition.kinds import is_gum, is_humectant
from doe.definition.parts import Ingredient
from doe.definition.ruletokens import quoted
from doe.trade.check import Check, Live, Words, figure
from doe.trade.composition import Stock
from doe.trade.forms import Form

Array = npt.NDArray[np.float64]

HLB_APART = 1.0  # common practice, no source
LEAST_EMULSIFIER = 0.10  # of the oil; common practice, no source
LEAST_HUMECTANT = 3.0  # of the gum, to wet it out; common practice (3 to 10), no source

_CURD = "anionic beside cationic: they may come out together as lumps or a curd"

# What an INCI name tells of charge, for materials that do not say; common practice, no source.
_ANIONIC = (
    "xanthan gum", "carbomer", "acrylates/c10-30", "carrageenan", "algin", "cellulose gum", "gellan gum",
    "laureth sulfate", "lauryl sulfate", "coco-sulfate", "sarcosinate", "sulfosuccinate", "olefin sulfonate",
    "cetearyl sulfate", "isethionate", "taurate", "stearoyl glutamate", "cocoyl glutamate", "sodium stearate",
    "stearoyl lactylate",
)  # fmt: skip
_CATIONIC = (
    "polyquaternium", "trimonium chloride", "trimonium methosulfate", "dimonium chloride", "hydroxypropyltrimonium",
    "benzalkonium", "cetylpyridinium", "chlorhexidine", "polyaminopropyl biguanide", "amidopropyl dimethylamine",
)  # fmt: skip

# Pairs that go wrong without being of unlike charge: a trade thread on gums in washes, read; salt: common practice.
_PAIRS = (
    (
        re.compile(r"xanthan gum|carrageenan|cellulose gum|gellan gum|\balgin|guar gum"),
        re.compile(r"glucoside\b|\S betaine\b|\w-betaine\b"),
        "gums have come out of some washes of sugar surfactant and betaine",
    ),
    (
        re.compile(r"carbomer|acrylates/c10-30"),
        re.compile(r"sodium chloride|magnesium sulfate|sodium lactate|sodium pca"),
        "salt thins what such a polymer thickens",
    ),
)


def charge_of(item: Ingredient, *, by_name: bool = False) -> str:
    """The ionic character of a material: as given, else (or `by_name`) as its INCI names tell, else nothing."""
    if "charge" in item.facts and not by_name:
        return str(item.facts["charge"])
    names = [name.casefold() for name, _ in item.inci]
    if any(word in name for name in names for word in _CATIONIC):
        return "cationic"
    return "anionic" if any(word in name for name in names for word in _ANIONIC) else ""


def charge_checks(stock: Stock, percent: Array) -> Iterator[Check]:
    """K18: something anionic beside something cationic, where both are there."""
    rows = range(len(stock.items))
    charged = [{(charge_of(part), "charge" in part.facts) for part, _ in stock.telling(row, "charge")} for row in rows]
    minus = [i for i, found in enumerate(charged) if "anionic" in dict(found)]
    plus = [i for i, found in enumerate(charged) if "cationic" in dict(found)]
    for i, j in product(minus, plus):
        both = np.where((percent[:, i] > 0) & (percent[:, j] > 0), 1.0, np.nan)
        told = ("anionic", False) not in charged[i] and ("cationic", False) not in charged[j]
        yield Check(
            "K18", " and ".join(dict.fromkeys((stock.labels[i], stock.labels[j]))), both,
            lambda v: _CURD,
            "one of them, or a pair known to go together",
            "try them alone in water first; take a nonionic gum or surfactant"
            + ("" if told else "; if a name was misread, give charge") + stock.apart((i, j)),
            high=0.0, number="pair",
            live=Live(_CURD, ((1.0, Form(stock.percent(stock.one(i)))),), high=0.0,
                      present=(stock.names[i], stock.names[j])),
        )  # fmt: skip


def pair_checks(stock: Stock, percent: Array) -> Iterator[Check]:
    """A gum or polymer that thickens beside what is known to thin it or bring it out; both told by their INCI names."""
    for gums, others, words in _PAIRS:
        thick, thins = ([i for i, item in enumerate(stock.items) if _named(item, one)] for one in (gums, others))
        for i, j in product(thick, thins):
            both = np.where((percent[:, i] > 0) & (percent[:, j] > 0), 1.0, np.nan)
            yield Check(
                "gum-pair", " and ".join(dict.fromkeys((stock.labels[i], stock.labels[j]))), both,
                _always(words), "", "try them alone in water first, at the levels of the recipe",
                high=0.0, number="pair",
                live=Live(words, ((1.0, Form(stock.percent(stock.one(i)))),), high=0.0,
                          present=(stock.names[i], stock.names[j])),
            )  # fmt: skip


def _always(words: str) -> Words:
    return lambda v: words


def _named(item: Ingredient, words: re.Pattern[str]) -> bool:
    return any(words.search(name.casefold()) for name, _ in item.inci)


def oil_rows(stock: Stock) -> tuple[Array, Array]:
    """Which materials are oil and which emulsifier, as their facts tell: required_hlb, hlb; each (m,) of 0 and 1."""
    oil = ~np.isnan(stock.facts("required_hlb"))
    emulsifier = ~np.isnan(stock.facts("hlb"))
    return oil.astype(float), emulsifier.astype(float)


def emulsion_checks(stock: Stock, percent: Array) -> Iterator[Check]:
    """K19, and emulsifier for the oil; silent unless an oil has a required HLB and an emulsifier an HLB."""
    oil, emulsifier = oil_rows(stock)
    if not oil.any() or not emulsifier.any():
        return
    oils, own = percent @ oil, percent @ emulsifier
    with np.errstate(invalid="ignore", divide="ignore"):
        wanted = percent @ np.nan_to_num(stock.facts("required_hlb")) / oils
        there = percent @ np.nan_to_num(stock.facts("hlb")) / own
        gap = np.where((oils > 0) & (own > 0), there - wanted, np.nan)
        ratio = np.where(oils > 0, own / np.where(oils > 0, oils, 1.0), np.nan)
    names = [[n for n, is_one in zip(stock.labels, rows, strict=True) if is_one] for rows in (emulsifier, oil)]
    yield Check(
        "K19", ", ".join(names[0]), gap,
        lambda v: f"the emulsifiers' HLB is {figure(abs(v))} {'above' if v > 0 else 'below'} what {_require(names[1])}",
        f"within {HLB_APART:g}",
        "move the ratio of emulsifiers; it says little of ionic, polymeric or liquid-crystal systems",
        low=-HLB_APART, high=HLB_APART, number="hlb_gap",
        live=Live("the emulsifiers' HLB is {v:abs} {v?above|below} what " + _require(names[1]), (
            (1.0, Form(stock.percent(np.nan_to_num(stock.facts("hlb"))), stock.percent(emulsifier))),
            (-1.0, Form(stock.percent(np.nan_to_num(stock.facts("required_hlb"))), stock.percent(oil))),
        ), low=-HLB_APART, high=HLB_APART),
    )  # fmt: skip
    yield Check(
        "emulsifier-share", ", ".join(names[0]), ratio,
        lambda v: f"{figure(v, LEAST_EMULSIFIER)} of emulsifier to 1 of oil",
        f"at least {LEAST_EMULSIFIER:g} (common practice)", "more emulsifier, or less oil", low=LEAST_EMULSIFIER,
        number="ratio", live=Live("{v} of emulsifier to 1 of oil", (
            (1.0, Form(stock.percent(emulsifier), stock.percent(oil))),), low=LEAST_EMULSIFIER),
    )  # fmt: skip


def _require(oils: list[str]) -> str:
    return f"{', '.join(oils)} require{'s' if len(oils) == 1 else ''}"


def wetting_checks(stock: Stock, percent: Array) -> Iterator[Check]:
    """K46: humectant to wet out the gum in; silent where there is no humectant, or how it is wetted out is tried."""
    if any("wet" in text.casefold() for f in stock.study.factors for text in (f.name, *f.levels)):
        return
    gums = [i for i, item in enumerate(stock.items) if is_gum(item)]
    wet = [i for i, item in enumerate(stock.items) if is_humectant(item) and i not in gums]
    if not gums or not wet:
        return
    gum, humectant = percent[:, gums].sum(axis=1), percent[:, wet].sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(gum > 0, humectant / np.where(gum > 0, gum, 1.0), np.nan)
    names = [[stock.names[i] for i in rows] for rows in (gums, wet)]
    of = f"of {' + '.join(names[1])} to 1 of {' + '.join(names[0])}"
    rule = " + ".join(map(quoted, names[1])) + " >= "
    rule += " + ".join(f"{LEAST_HUMECTANT:g} * {quoted(name)}" for name in names[0])
    varies = any(stock.study.region.reach.get(name, (0.0, 0.0))[0] < stock.study.region.reach[name][1]
                 for name in (*names[0], *names[1]) if name in stock.study.region.reach)  # fmt: skip
    yield Check(
        "K46", ", ".join(names[0]), ratio,
        lambda v: f"{figure(v, LEAST_HUMECTANT)} {of}",
        f"at least {LEAST_HUMECTANT:g} (common practice)",
        (f'as a limit: rule = "{rule}"' if varies else "more humectant, or less gum") + "; gum wetted too dry lumps",
        low=LEAST_HUMECTANT, number="ratio", live=Live(f"{{v}} {of}", (
            (1.0, Form(stock.percent(sum(map(stock.one, wet))), stock.percent(sum(map(stock.one, gums))))),
        ), low=LEAST_HUMECTANT),
    )  # fmt: skip


def _share(low: float | None, high: float | None) -> Words:
    """A share in words, told apart from the end that it is beyond."""
    return lambda v: f"{figure(v, high if high is not None and v > high else low)} %"


def use_checks(stock: Stock, percent: Array) -> Iterator[Check]:
    """The supplier's use range of each material, where it is there; in % of the product, as supplied."""
    for row, item in enumerate(stock.items):
        low, high = item.facts.get("use_low"), item.facts.get("use_high")
        if low is None and high is None:
            continue
        ends = f"{'' if low is None else f'{low:g}'} to {'' if high is None else f'{high:g}'} %".strip()
        there = np.where(percent[:, row] > 0, percent[:, row], np.nan)
        yield Check(
            "use-range", stock.labels[row], there,
            _share(low, high),
            f"{ends}, the supplier's use range", "keep to it, or ask the supplier why it ends there",
            low=-np.inf if low is None else low, high=np.inf if high is None else high, number="percent",
            live=Live("{v} %", ((1.0, Form(stock.percent(stock.one(row)))),), low=low, high=high,
                      present=(stock.names[row],)),
        )  # fmt: skip
