"""Sentences of a fit, from its entry in `fit --json`: the scale, limits that hold together, the other form, the top."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from doe.definition.categories import short
from optimise.models.findings import AFTER_CHOICE
from reports.numbers import THIN, between, counted, estimated, figure, listed, p_value, percent, plain
from reports.wording.fitrows import near

Entry = Mapping[str, Any]

_REACH = 4.0  # powers are looked for from -4 to 4
_FEWEST = 3  # residual degrees of freedom from which a power is spoken of
_NAMED = 4  # terms that a brief account names
_NEAR, _SETS = 2.0, 3  # how near in AICc a set of terms is named, and how many are
_OFTEN = 0.2  # of the resamples
_HELD = {
    (1, 0): "; both the values as they are (1) and their logarithm (0) are in it.",
    (1,): "; the values as they are (1) are in it, their logarithm (0) is not.",
    (0,): "; the logarithm (0) is in it, the values as they are (1) are not.",
    (): "; neither the values as they are (1) nor their logarithm (0) is in it.",
}


def _equals(number: str) -> str:
    return number if number.startswith("<") else f"= {number}"


def known(value: Any) -> bool:
    """Whether a number or record of the entry exists."""
    return value is not None and not (isinstance(value, Mapping) and "unavailable" in value)


def read_by(entry: Entry) -> str:
    """What the coefficients are estimated by."""
    if entry["kind"] == "grade":
        return "A cumulative logistic model, which predicts as well"
    if entry["kind"] == "pass":
        return "A penalised logistic model, which predicts as well"
    if has_bounds(entry):
        return "By likelihood, as some readings are bounds, for reading"
    return "Least squares for reading"


def threshold_rows(entry: Entry) -> list[tuple[str, float, float | None]]:
    """Where grades part on the score: what each threshold is called, its place and standard error, as a table has it.

    The one that the aim rests on is where the score begins, and has no error of its own.
    """
    rows = entry.get("thresholds") or ()
    return [(_parting(row), row["estimate"], None if row["of_the_aim"] else row["se"]) for row in rows]


def _parting(row: Mapping[str, Any]) -> str:
    return f"threshold {row['below']} | {row['above']}"


def threshold_line(entry: Entry) -> str:
    """From where the score of grades is measured."""
    rows = [row for row in entry.get("thresholds") or () if row["of_the_aim"]]
    if not rows:
        return ""
    return (
        f"A batch's score is the sum of its terms, measured from the threshold {rows[0]['below']} | {rows[0]['above']};"
        " a grade lies between the thresholds its score falls between."
    )


def has_bounds(entry: Entry) -> bool:
    """Whether some of the readings that were fitted are only bounds."""
    return entry["kind"] in ("number", "curve") and any(row.get("bound", "none") != "none" for row in entry["trials"])


def predicts(entry: Entry) -> str:
    """What predicts this response; the terms that are read need not."""
    by = entry["predicts_by"]
    if not known(by):
        return f"Nothing predicts it: {by['unavailable']}."
    if by == "averaged posterior":
        return "Predictions come from the averaged posterior over many models, not from these coefficients."
    return "Predictions are by these terms."


def predicts_lines(entries: Mapping[str, Entry]) -> str:
    """The same for all responses, those alike in one sentence."""
    groups: dict[str, list[str]] = {}
    for name, entry in entries.items():
        by = entry["predicts_by"]
        groups.setdefault(by if known(by) else f"no {by['unavailable']}", []).append(name)
    said = []
    for by, names in groups.items():
        of = "" if len(groups) == 1 else f"{listed(names)}: "
        if by == "averaged posterior":
            line = "terms are for reading; predictions average over many models."
        elif by == "these terms":
            line = "predictions are by these terms."
        else:
            line = f"nothing predicts {'it' if len(names) == 1 else 'them'}: {by.removeprefix('no ')}."
        said.append(f"{of}{line}" if of else line[:1].upper() + line[1:])
    return " ".join(said)


def scale_line(entry: Entry) -> str:
    """What the values say of the scale they are fitted on; nothing where nothing was fitted."""
    if entry.get("n") == 0:
        return ""
    said = f"Scale {entry['scale_why']}."
    found = entry.get("box_cox")
    if not known(found) or found is None:
        return said
    low, high = found["interval"]
    if low <= -_REACH and high >= _REACH:
        return f"{said} The values vary too little to tell one power from another."
    if entry["df_residual"] < _FEWEST:
        return f"{said} Too few batches are left over to tell one power from another."
    power = plain(found["power"], 2)
    if abs(found["power"]) > _REACH - 0.01:
        power = f"over {plain(_REACH, 0)}" if found["power"] > 0 else f"below {plain(-_REACH, 0)}"
    said += f" With these terms the likeliest power (Box-Cox) is {power}, 95{THIN}% likelihood {_span(low, high)}"
    held = tuple(power for power in (1, 0) if low <= power <= high)
    return said + _HELD[held]


def scale_brief(entry: Entry) -> str:
    """The scale and why, with the likeliest power and its likelihood interval, in one line."""
    if entry.get("n") == 0:
        return ""
    why, found = str(entry["scale_why"]), entry.get("box_cox")
    if not known(found) or found is None or entry["df_residual"] < _FEWEST or "likeliest power" in why:
        return f"Scale {why}."
    low, high = found["interval"]
    if low <= -_REACH and high >= _REACH:
        return f"Scale {why}."
    power = f"beyond {plain(_REACH, 0)}" if abs(found["power"]) > _REACH - 0.01 else plain(found["power"], 2)
    own = {"linear": 1.0, "log": 0.0}.get(str(entry["scale"]))
    outside = f"; this scale ({plain(own, 0)}) lies outside" if own is not None and not low <= own <= high else ""
    return f"Scale {why}; likeliest power (Box-Cox) {power}, 95{THIN}% likelihood {_span(low, high)}{outside}."


def _span(low: float, high: float) -> str:
    """The likelihood interval of a power, as far as powers were looked for."""
    ends = f"below {plain(-_REACH, 0)}" if low <= -_REACH else plain(low, 2)
    return ends + (f" to over {plain(_REACH, 0)}" if high >= _REACH else f" to {plain(high, 2)}")


def blocks_line(entry: Entry) -> str:
    """What each block adds to their mean, and how far blocks lie apart."""
    effects, apart = entry.get("blocks"), entry["variance"].get("block")
    if not effects or not known(apart):
        return ""
    signed = [f"{name} {'+' if value > 0 else ''}{figure(value)}" for name, value in effects.items()]
    scale = {"linear": "", "grades": ", on the score"}.get(entry["scale"], f", {entry['scale']} scale")
    gap = f"sd {figure(float(apart) ** 0.5)} from one to the next" if apart > 0 else "no more than their own errors"
    return f"Blocks, about their mean{scale}: {', '.join(signed)}; {gap}."


def partial_line(entry: Entry) -> str:
    """Why the lines of the kinds of term in the analysis of variance do not add up to that of the model."""
    kinds = [row["source"] for row in entry["anova"]]
    inner = [k for k in kinds if k in ("linear terms", "squares", "products", "higher terms") or "[" in k]
    if "model" not in kinds or not inner:
        return ""
    return f"The lines of {listed(inner)} say what the model would lose without them; they need not add up to it."


def together_line(entry: Entry) -> str:
    """How far the terms reach when they are read side by side."""
    found = entry.get("together")
    if not known(found) or found is None:
        return ""
    factor, alone, by = found["factor"], found["alone"], f"(95{THIN}%, {found['method']})"
    own = found["model"] == "fitted"
    as_fixed = " It takes the terms as fixed beforehand: after a choice it is too narrow." if shares(entry) else ""
    if not known(factor):
        which = f": {by[1:-1]}.{as_fixed}" if own else f", whatever was chosen: {by[1:-1]}."
        return f"Limits by which the terms can be read together{which}"
    if not own:
        return f"Read together, and whatever was chosen: limits {figure(factor / alone)} times as wide as planned {by}."
    return f"Read together, each term lies within {figure(factor)} standard errors of its estimate {by}.{as_fixed}"


def other_form_line(entry: Entry) -> str:
    """Whether the other form of a blend's model agrees, and which terms it has."""
    found = entry.get("other_form")
    if not known(found) or found is None:
        return ""
    said = str(found["says"])
    said = said[:1].upper() + said[1:]
    if found["agree"]:
        return f"{said}."
    return f"{said}. Its terms: {found['model']}. What predicts does not depend on the form."


def other_form_brief(entry: Entry) -> str:
    """Whether the other form of a blend's model agrees, without where and by which terms."""
    found = entry.get("other_form")
    if not known(found) or found is None:
        return ""
    said = str(found["says"]).partition(", and at ")[0]
    beyond = "" if found["agree"] else f", beyond the 95{THIN}% confidence at {percent(found['beyond'])} of the places"
    return f"{said[:1].upper()}{said[1:]}{beyond}."


def near_line(entry: Entry) -> str:
    """The sets of terms that explain the batches nearly as well as the one that is read, by what they differ in."""
    found = list((entry.get("selection") or {}).get("near") or [])[1:]
    told = [f"{what} ({above})" for row, (what, above) in zip(found, near(entry), strict=True)
            if row["delta_aicc"] <= _NEAR]  # fmt: skip
    if not told:
        return ""
    more = [f"{len(told) - _SETS} more"] if len(told) > _SETS else []
    return f"Nearly as good by AICc: {'; '.join([*told[:_SETS], *more])}."


def law_line(entry: Entry) -> str:
    """The gum's power law beside the terms that are read."""
    found = entry.get("power_law")
    if not known(found) or found is None:
        return ""
    said = str(found["says"])
    return f"{said[:1].upper()}{said[1:]}. It is for reading; what predicts does not rest on it."


def shares(entry: Entry) -> dict[str, str]:
    """How often each term was chosen when the batches were drawn anew, in words; empty where there was no choice."""
    selection = entry.get("selection") or {}
    always = set(selection.get("always") or ())
    found = selection.get("chosen_share") or {}
    if always.issuperset(found):
        return {}
    return {term: "always" if term in always else percent(share) for term, share in found.items()}


def left_terms(entry: Entry, brief: bool = False) -> str:
    """Terms that were left out but chosen in a good part of the resamples: what else might act."""
    found = (entry.get("selection") or {}).get("chosen_share") or {}
    there = {row["term"] for row in entry["terms"]}
    out = sorted(((s, term) for term, s in found.items() if term not in there and s >= _OFTEN), reverse=True)
    if not out:
        return ""
    if brief:
        told = [f"{t} {percent(s)}" for s, t in out]
        told = told[:_NAMED] + ([f"{len(told) - _NAMED} more"] if len(told) > _NAMED else [])
        return f"Left out, but chosen in part of the resamples: {', '.join(told)}."
    limits = planned(entry)
    told = [f"{t} {percent(s)}" + (f" ({between(*limits[t])} in the planned model)" if t in limits else "")
            for s, t in out]  # fmt: skip
    return f"Left out, but chosen in part of the resamples: {', '.join(told)}."


def chosen_line(entry: Entry) -> str:
    """What `p` and `chosen` mean beside each other."""
    if not shares(entry):
        return ""
    if not any(isinstance(row["p"], float) for row in entry["terms"]):
        return "chosen is how often a term is chosen again when the batches are drawn anew."
    return (
        "se and p take the terms as fixed beforehand, so after a choice they are too small; chosen is how often a term"
        " is chosen again when the batches are drawn anew."
    )


def contrast_line(entry: Entry) -> str:
    """How a term of a category or a material is to be read; nothing where there is none."""
    own = [row["term"] for row in entry["terms"] if row["term"].startswith("[") and row["term"].endswith("]")]
    inside = [row["term"] for row in entry["terms"] if "[" in row["term"] and row["term"] not in own]
    if not own and not inside:
        return ""
    return (
        f"A term such as {(own or inside)[0]} counts +1 at the level or material that it names, \u22121 at the last "
        "one of its kind in study.toml and 0 at any other, so that all of a kind sum to zero: where there are two, "
        "the first less the second is twice the estimate, and so are its limits."
    )


def planned_line(entry: Entry) -> str:
    """What the limits of the planned model are."""
    if not planned(entry):
        return ""
    return (
        f"planned: 95{THIN}% limits with every planned term kept, of terms that mean the same there. Of all planned"
        " terms 95 in 100 lie within; of those kept because they came out large fewer do, so claim something of these"
        " only by the wider limits that hold together."
    )


def planned(entry: Entry) -> dict[str, tuple[float, float]]:
    """95 % limits in the full planned model of terms that mean the same there, by name; empty where there are none."""
    found = entry.get("planned_limits")
    if not known(found) or found is None:
        return {}
    return {name: (row["limits"][0], row["limits"][1]) for name, row in found["terms"].items() if row["alike"]}


def top_line(entry: Entry) -> str:
    """The stationary point: kind, place, how far its confidence region reaches."""
    still = entry.get("stationary")
    if not known(still) or still is None:
        return ""
    if not still["inside"]:
        return f"Within the limits the fitted surface slopes everywhere: its {still['kind']} lies outside."
    where = ", ".join(f"{name} {figure(value)}" for name, value in still["at"].items())
    said = f"No slope at {where}: a {still['kind']}, predicted {figure(still['predicted'])}."
    region = still["confidence"]
    if known(region):
        reach = ", ".join(f"{name} {between(*ends)}" for name, ends in region.items())
        said = f"{said} 95{THIN}% confidence region of the place: {reach}."
        if still["beyond"]:
            said += f" In {listed(still['beyond'])} this reaches beyond the limits, where nothing was tried"
            if still["impossible"]:
                which = "" if still["impossible"] == still["beyond"] else f"in {listed(still['impossible'])} "
                said += f", {which}to amounts no blend can have"
            said += ": the trials alone do not settle that the place lies within."
        return said
    return f"{said} No confidence region: {region['unavailable']}."


def way_rows(entry: Entry) -> list[list[str]]:
    """The way out of the middle: distance, levels, prediction, its confidence; nothing where there is none."""
    way = entry.get("way")
    if not isinstance(way, Sequence) or isinstance(way, str):
        return []
    return [
        [figure(step["distance"]), *(figure(v, digits=4) for v in step["at"].values()), figure(step["predicted"]),
         between(*step["confidence"])]
        for step in way
    ]  # fmt: skip


def way_head(entry: Entry) -> list[str]:
    """The head of that table."""
    return ["Distance", *entry["way"][0]["at"], "Predicted", "95 % confidence"]


def eigen_rows(entry: Entry) -> list[list[str]]:
    """Eigenvalues of the fitted quadratic with their standard errors."""
    still = entry.get("stationary")
    if not known(still) or still is None:
        return []
    errors = still["eigenvalue_se"]
    if not isinstance(errors, Sequence):
        return [[figure(v), ""] for v in still["eigenvalues"]]
    return [list(estimated(v, e)) for v, e in zip(still["eigenvalues"], errors, strict=True)]


def effects_line(entry: Entry) -> str:
    """What the table of effects holds."""
    if not isinstance(entry.get("effects"), Sequence):
        return ""
    at = entry["effects"][0]["at_levels"] if entry["effects"] else {}
    where = f", with {listed([f'{short(name)} {level}' for name, level in at.items()])}" if at else ""
    fixed = "; the limits take the terms as fixed beforehand" if shares(entry) else ""
    return (
        "Effects by these terms, along each direction through the middle of the region, from its lowest to its highest"
        f" level{where}{fixed}:"
    )


def shared(entry: Entry) -> str:
    """What batches share an error with, `whole plot` or `block`; "" where each stands alone, or blocks have effects."""
    drawn = [key for key in entry["variance"] if key != "batch" and not (key == "block" and entry.get("blocks"))]
    return drawn[0].replace("_", " ") if drawn else ""


def against_line(entry: Entry) -> str:
    """What the distance of a batch from its fitted value holds where batches share an error."""
    if not shared(entry):
        return ""
    return (
        f"Fitted is the mean over all {shared(entry)}s: what one of them differs by is in the distance from the line."
    )


def residual_line(entry: Entry) -> str:
    """What residuals are where batches share an error."""
    if not shared(entry) or entry["kind"] not in ("number", "curve"):
        return ""
    return (
        f"Deleted residuals hold each batch against all others, those of its own {shared(entry)} too, so that what the"
        f" {shared(entry)} differs by is taken out as far as these show it."
    )


def each_batch_line(entry: Entry) -> str:
    """How the table of batches is read where these share an error."""
    if not shared(entry) or entry["kind"] not in ("number", "curve"):
        return ""
    return (
        f"Residual is measured less fitted, what the {shared(entry)} differs by still in it. Leverage, studentised and"
        f" deleted residuals and Cook's distance allow for what batches of one {shared(entry)} share."
    )


def anova_line(entry: Entry) -> str:
    """Why the analysis of variance has no sums of squares where batches share an error."""
    if not shared(entry) or not entry["anova"]:
        return ""
    return (
        f"Batches of one {shared(entry)} share an error, so no sum of squares belongs to a kind of term alone: F and p"
        " are those of restricted likelihood, after Kenward and Roger."
    )


def too_small(entry: Entry) -> bool:
    """Whether the fit says that its residual sd is too small, as the same batches chose the terms."""
    return any(row["code"] == AFTER_CHOICE for row in entry.get("findings", ()))


def predicting_sd(entry: Entry) -> str:
    """The sd of a batch that predictions reckon with, and its limits; "" where nothing else than the fit predicts."""
    ahead = entry.get("batch_sd")
    if not known(ahead) or ahead is None:
        return ""
    ends = between(*ahead["limits"])
    return f"what predicts reckons with a batch sd of {figure(ahead['sd'])} ({percent(ahead['level'])} {ends})"


def judged(entry: Entry) -> str:
    """Residual sd, degrees of freedom, R² and what is said of the shape, in one sentence."""
    parts = []
    sd = entry.get("residual_sd")
    named = shared(entry)
    if isinstance(sd, float) and named:
        apart = figure(float(entry["variance"][named.replace(" ", "_")]) ** 0.5)
        parts.append(f"Sd {figure(sd)} between batches of one {named}, {apart} from one {named} to the next")
    elif isinstance(sd, float):
        of = f" (about {percent(sd)} of the value)" if entry["scale"] == "log" and sd < 0.5 else ""
        degrees = counted(int(entry["df_residual"]), "degree")
        small = ", likely too small after the choice of terms" if too_small(entry) else ""
        parts.append(f"Residual sd {figure(sd)}{of} on {degrees} of freedom{small}")
    parts += [predicting_sd(entry)] if isinstance(sd, float) and predicting_sd(entry) else []
    told = []
    for key, words in (("r2", "R²"), ("r2_adjusted", "adjusted"), ("r2_predicted", "predicted")):
        if isinstance(entry.get(key), float):
            told.append(f"{words} {figure(entry[key], digits=3)}")
    parts += [", ".join(told)] if told else []
    lack = entry["lack_of_fit"]
    if "p" in lack:
        a, b = lack["df"]
        parts.append(f"lack of fit F({a}, {b}) = {figure(lack['f'])}, p {_equals(p_value(lack['p']))}")
    else:
        parts.append(f"lack of fit not tested ({lack['unavailable']})")
    said = "; ".join(parts) + "."
    return said[:1].upper() + said[1:]
