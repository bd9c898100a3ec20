"""Legal limits: highest shares of listed substances, allergens to be labelled, solid particles of polymers.

The list is a reminder with a date on each line, never the law. Local regulation and a safety assessor decide.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from doe.definition.checks import Notes, shown
from doe.definition.kinds import is_fragrance, is_preservative
from doe.definition.parts import Ingredient, Law
from doe.definition.ruletokens import normalised
from doe.problems import Problem, listed
from doe.trade.acids import ACIDS, acid_by_name, acids_of, data_file
from doe.trade.check import Check, Live, Words, figure
from doe.trade.composition import Stock, exploded
from doe.trade.forms import Form
from doe.trade.rulebook import RULES

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]

STALE_MONTHS = 12  # a list older than this is said to be old; annexes change several times a year
POLYMER_SHARE, LARGEST_UM = 0.01, 5000.0  # % and micrometres, Regulation (EU) 2023/2055
_EDITION = re.compile(r"(\d{4})(?:-(\d{2}))?(?:-(\d{2}))?")
_EU = ("eu", "eea", "european union")
# Solid polymers by INCI name; common practice, no source.
_SYNTHETIC = (
    "polyethylene", "nylon-", "polymethyl methacrylate", "polypropylene", "polystyrene", "polyurethane-",
    "polytetrafluoroethylene", "polymethylsilsesquioxane",
)  # fmt: skip
_MODIFIED = ("cellulose acetate", "ethylcellulose", "cellulose acetate butyrate", "nitrocellulose")
_DECIDES = "the law of the market and a qualified safety assessor decide"


def read_law(t: dict[str, Any], notes: Notes) -> Law:
    """One `[[law]]` of study.toml; problems go to `notes`."""
    substance = normalised(t["substance"])
    where = f"law {substance!r}"
    acid = t.get("as_acid", "").casefold()
    if acid and acid not in ACIDS:
        notes.stop("unknown-word", f"{where}, as_acid", f"came {shown(t['as_acid'])}", "one of " + ", ".join(ACIDS),
                   "leave it out, and give max of the substance as it is")  # fmt: skip
        acid = ""
    names = tuple(normalised(name) for name in t.get("names", ())) or (substance,)
    for name in names:
        known = acid_by_name(name)
        if acid and (known is None or known[0].name != acid):
            notes.stop(
                "unknown-name",
                f"{where}, names",
                f"{name} is no form of {acid} acid that is known",
                ", ".join(ACIDS[acid].forms),
                "leave as_acid out, and give max of the substance as it is",
            )
    if edition_date(t["edition"]) is None:
        notes.stop(
            "bad-date", f"{where}, edition", f"came {shown(t['edition'])}", "a date such as 2026-05-04", "mend it"
        )
    return Law(substance, names, float(t["max"]), acid, normalised(t.get("market", "")), t.get("product", ""),
               normalised(t["source"]), normalised(t["edition"]))  # fmt: skip


def edition_date(text: str) -> date | None:
    """The first day that an edition may mean (2026, 2026-05 or 2026-05-04); None where it is no date."""
    found = _EDITION.fullmatch(text.strip())
    if found is None:
        return None
    try:
        return date(int(found[1]), int(found[2] or 1), int(found[3] or 1))
    except ValueError:
        return None


def shipped_laws() -> tuple[Law, ...]:
    """The lines of legal_limits.toml."""
    return tuple(
        Law(row["substance"], tuple(row["names"]), float(row["max"]), row.get("as_acid", ""), row.get("market", ""),
            row.get("product", ""), row["source"], row["edition"], row["checked"],
            tuple(row["counted_g_mol"] / mass for mass in row.get("names_g_mol", ())))
        for row in data_file("legal_limits.toml")["line"]
    )  # fmt: skip


_SHIPPED = shipped_laws()
_LABELS = data_file("label_allergens.toml")
# What stands on the label for each INCI name that brings it, and since when where it was not always so.
_LABEL_NAMES = {name.casefold(): name for part in _LABELS["list"] for name in part["names"]}
_LABEL_NAMES |= {
    name.casefold(): label
    for part in _LABELS["list"]
    for label, names in part.get("groups", {}).items()
    for name in (label, *names)
}
_SINCE = {
    name: part["since"] for part in _LABELS["list"] for name in (*part["names"], *part.get("groups", {}))
}  # fmt: skip


def laws_for(study: Study) -> tuple[Law, ...]:
    """The lines that hold for a study's market and product: its own, and shipped ones it does not replace.

    A line of the study takes the place of shipped ones that count one of its names. Where the product is not said,
    lines of both kinds hold.
    """

    def holds(law: Law) -> bool:
        here = not law.market or _same_market(law.market, study.market or "")
        return here and (not law.product or study.product is None or law.product == study.product)

    own = [law for law in study.laws if holds(law)]
    replaced = {name.casefold() for law in own for name in law.names}
    shipped = [law for law in _SHIPPED if holds(law) and not replaced & {name.casefold() for name in law.names}]
    return (*own, *shipped)


def _same_market(first: str, second: str) -> bool:
    one, other = first.casefold().strip(), second.casefold().strip()
    return one == other or (one in _EU and other in _EU)


def is_eu(study: Study) -> bool:
    """Whether the study is for the market of the European Union."""
    return (study.market or "").casefold().strip() in _EU


def counted_share(stock: Stock, law: Law) -> Array:
    """The share of each material, as supplied, that counts against a limit, as a fraction (m,)."""
    out = np.zeros(len(stock.items))
    wanted = {name.casefold() for name in law.names}
    for j, inci in enumerate(stock.inci):
        if inci.casefold() in wanted:
            known = acid_by_name(inci) if law.as_acid else None
            counts = {name.casefold(): part for name, part in zip(law.names, law.counts, strict=False)}
            out += stock.active[:, j] * (counts.get(inci.casefold(), 1.0) if known is None else known[1])
    if law.as_acid and ACIDS[law.as_acid].inci.casefold() in wanted:
        out += [_told_acid(stock.telling(row, "acid"), law.as_acid) for row in range(len(stock.items))]
    return out


def _told_acid(parts: Sequence[tuple[Ingredient, float]], acid: str) -> float:
    """The share of an acid that parts of a material say they are, without an INCI name of one of its forms."""
    forms = {form.casefold() for form in ACIDS[acid].forms}
    silent = [
        (part, share) for part, share in parts
        if "acid" in part.facts and not forms & {inci.casefold() for inci in exploded(part, {})}
    ]  # fmt: skip
    return sum(share * g for part, share in silent for name, _, g in acids_of(part, {}) if name == acid)


def _amount(of: str, most: float) -> Words:
    return lambda value: f"{figure(value, most)} {of}"


def legal_checks(stock: Stock, percent: Array) -> Iterator[Check]:
    """K11: each listed substance, summed over all materials, against its highest share. `percent` (n, m)."""
    for law in laws_for(stock.study):
        share = counted_share(stock, law)
        if not share.any():
            continue
        form = f" as {law.as_acid} acid" if law.as_acid else ""
        kind = law.product or "any product"
        checked = "" if law.checked == "read" else f"; {law.checked}"
        own = [name for name, part in zip(stock.labels, share, strict=True) if part]
        yield Check(
            "K11", ", ".join(own), percent @ share,
            _amount(f"% of {law.substance}{form}", law.most),
            f"at most {law.most:g} %{form} ({law.market or 'any market'}, {kind}; edition {law.edition}{checked})",
            f"lower it, or read the text in force: {_DECIDES}",
            high=law.most, number="percent", source=law.source, topic=f"{law.substance}, {law.product}",
            live=Live(f"{{v}} % of {law.substance}{form}", ((1.0, Form(stock.percent(share))),), high=law.most),
        )  # fmt: skip


def allergens(stock: Stock) -> dict[str, Array]:
    """The share of each allergen to be labelled in each material, (m,) each: as given, else as its INCI name tells."""
    out: dict[str, Array] = {}
    spelt: dict[str, str] = {}

    def add(name: str, row: int, share: float) -> None:
        key = spelt.setdefault(name.casefold(), _LABEL_NAMES.get(name.casefold(), name))
        out.setdefault(key, np.zeros(len(stock.items)))[row] += share

    for row in range(len(stock.items)):
        told: set[str] = set()
        for part, of_it in stock.telling(row, "allergens"):
            for name, share in part.facts.get("allergens", {}).items():
                add(name, row, of_it * float(share))
                told.add(name.casefold())
        for j, inci in enumerate(stock.inci):
            if stock.declared[row, j] and inci.casefold() in _LABEL_NAMES and inci.casefold() not in told:
                add(inci, row, float(stock.declared[row, j]))
    return out


def allergen_threshold(study: Study) -> float | None:
    """The share of the product [%] above which an allergen is labelled; None where no rule of ours holds.

    Where the product is not said, the lower one.
    """
    if not is_eu(study):
        return None
    return float(_LABELS["rinse_off_percent" if study.product == "rinse-off" else "leave_on_percent"])


def allergen_checks(stock: Stock, percent: Array) -> Iterator[Check]:
    """K16: each allergen, summed over all sources, against the share above which it stands on the label."""
    threshold = allergen_threshold(stock.study)
    if threshold is None:
        return
    kind = stock.study.product or "product not said, so leave-on"
    for name, share in allergens(stock).items():
        own = [item for item, part in zip(stock.labels, share, strict=True) if part]
        yield Check(
            "K16", ", ".join(own), percent @ share, _amount(f"% of {name} from all sources", threshold),
            f"up to {threshold:g} % without a word on the label ({kind})",
            "name it in the declaration" + (f" ({since})" if (since := _SINCE.get(name)) else ""),
            high=threshold, number="percent", topic=name,
            live=Live(f"{{v}} % of {name} from all sources", ((1.0, Form(stock.percent(share))),), high=threshold),
        )  # fmt: skip


def polymer_of(item: Ingredient, *, by_name: bool = False) -> str:
    """What kind of polymer a material is: as given, else (or `by_name`) as its INCI name tells, else nothing."""
    if "polymer" in item.facts and not by_name:
        return str(item.facts["polymer"])
    for inci, _ in item.inci:
        name = inci.casefold()
        if name.startswith(_MODIFIED):
            return "modified natural"
        if name.startswith(_SYNTHETIC):
            return "synthetic"
    return ""


def _solids(stock: Stock, row: int) -> Iterator[tuple[str, float, float]]:
    """The solid polymers up to 5 mm in one ingredient: kind, size [um], share. A premix may give the size itself."""
    own = stock.items[row].facts
    for part, share in stock.telling(row, "polymer"):
        facts = part.facts if {"d50_um", "d90_um"} & set(part.facts) else own
        size, kind = facts.get("d90_um", facts.get("d50_um")), polymer_of(part)
        if size is not None and size <= LARGEST_UM and kind in ("synthetic", "modified natural"):
            yield kind, float(size), share


def stopped_polymer(stock: Stock) -> Array:
    """The share of each material, as supplied, that is solid particles of a polymer which K17 stops, (m,)."""
    out = np.zeros(len(stock.items))
    if is_eu(stock.study) and stock.study.product != "leave-on":
        for row in range(len(stock.items)):
            out[row] = sum(share for kind, _, share in _solids(stock, row) if kind == "synthetic")
    return out


def polymer_checks(stock: Stock, percent: Array) -> Iterator[Check]:
    """K17: solid particles of a synthetic polymer in all, and of modified natural ones without proof."""
    if not is_eu(stock.study):
        return
    found: dict[str, list[tuple[int, float, float]]] = {}
    for row in range(len(stock.items)):
        for kind, size, share in _solids(stock, row):
            found.setdefault(kind, []).append((row, size, share))
    when = "beads that scrub since 2023-10-17, other rinse-off from 2027-10-17, leave-on from 2029-10-17 on"
    for kind, solids in found.items():
        is_stop = kind == "synthetic" and stock.study.product in ("rinse-off", None)
        shares = sum((stock.one(row, share) for row, _, share in solids), np.zeros(len(stock.items)))
        sizes = listed(sorted({f"{size:g}" for _, size, _ in solids}, key=float))
        what = f"% of particles of {sizes} um, a {kind} polymer"
        yield Check(
            "K17", ", ".join(dict.fromkeys(stock.labels[row] for row, _, _ in solids)), percent @ shares,
            _amount(what, POLYMER_SHARE),
            f"below {POLYMER_SHARE:g} %, unless natural, degradable or soluble ({when})",
            f"take beads of wax, mineral or plant; or show that these degrade: {_DECIDES}",
            high=POLYMER_SHARE * (1 - 1e-6), number="percent", level="stop" if is_stop else "warn", topic=kind,
            live=Live(f"{{v}} {what}", ((1.0, Form(stock.percent(shares))),), high=POLYMER_SHARE * (1 - 1e-6)),
        )  # fmt: skip


def coverage(study: Study, today: date | None = None) -> tuple[Problem, ...]:
    """K12: what the list of legal limits does not cover, and with `today` which of its lines that are used are old."""
    if not study.ingredients:
        return ()
    source, found = RULES["K12"].source, []
    laws = laws_for(study)
    listed = {name.casefold() for law in laws for name in law.names}
    whole = [i.of(m.name) for i in study.ingredients for m in i.choice] + [i for i in study.ingredients if not i.choice]
    known = {i.name: i for i in study.ingredients}
    brought = {id(item): {name.casefold() for name in exploded(item, known)} for item in whole}
    used = [law for law in laws if any({n.casefold() for n in law.names} & names for names in brought.values())]
    missing = list(
        dict.fromkeys(item.name for item in whole if is_preservative(item) and not listed & brought[id(item)])
    )
    do = "look them up in the law of the market, and give each as [[law]]"
    if _is_limited(whole) and not study.market:
        got = "no market is given, so no legal limit is looked at, and no allergen for the label is told"
        found.append(Problem("K12", "inform", "[study], market", got, "the market, such as EU", do, source))
    if missing and is_eu(study):
        got = f"no line for {', '.join(missing)}: the list is short, and silence is no consent"
        found.append(Problem("K12", "inform", "legal limits", got, "a line for each preservative", do, source))
    if study.market and not is_eu(study) and not study.laws:
        got = f"no list for the market {study.market} is shipped, and no allergen for the label is told"
        found.append(Problem("K12", "inform", "legal limits", got, "EU", do, source))
    dated = list(dict.fromkeys((law.substance, law.edition) for law in used))
    if is_eu(study) and any("allergens" in item.facts for item in whole):
        dated.append(("allergens to label", max(part["edition"] for part in _LABELS["list"])))
    old = [one for one in dated if today is not None and _months(one[1], today) > STALE_MONTHS]
    if old:
        got = "lines that are old: " + "; ".join(f"{what}, edition {edition}" for what, edition in old)
        do = "read the text in force, and give what it says as [[law]] with its date"
        found.append(Problem("K12", "warn", "legal limits", got, f"at most {STALE_MONTHS} months old", do, source))
    return tuple(found)


def _is_limited(items: Sequence[Ingredient]) -> bool:
    """Whether something is among the materials that laws commonly limit: a preservative, or what brings allergens."""
    return any(is_preservative(item) or is_fragrance(item) for item in items)


def _months(edition: str, today: date) -> int:
    then = edition_date(edition) or today
    return (today.year - then.year) * 12 + today.month - then.month
