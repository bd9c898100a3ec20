"""What no single section of study.toml can tell: names that are referred to, levels that add up, prices, samples."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from doe.definition.checks import Notes, folded, is_number, shown
from doe.definition.curve_needs import curve_problem, rates_problem
from doe.definition.definition import Parts
from doe.definition.keys import WORDS
from doe.definition.materials import with_none
from doe.definition.parts import Ingredient, Reference, Response
from doe.definition.process import check_process
from doe.definition.responses import hint
from doe.definition.stepwords import factors_named
from doe.terms.term import Term
from doe.trade.quantities import QUANTITIES

_SLACK = 1e-6  # of the total: what a recipe written out may be off by


def check_whole(read: Parts, notes: Notes) -> None:
    """Check the sections against each other; problems go to `notes`.

    Sums of levels are checked only where every ingredient could be read, so that one fault is not told twice.
    """
    sound = not notes.stopped_in("ingredient", "study], total")
    if sound:
        _check_varied(read, notes)
        _check_sums(read, notes)
    _check_unit(read, notes)
    _check_made_of(read, notes)
    _check_references(read, notes)
    for n, recipe in enumerate(read.plan.must_make, 1):
        _check_recipe(read, recipe, f"[plan], must_make {n}", notes, sound)
    if read.plan.standard is not None:
        _check_recipe(read, read.plan.standard, "[plan], standard", notes, sound)
    _check_terms(read, notes)
    _check_steps(read, notes)
    check_process(read, notes)
    _check_responses(read, notes)
    _check_samples(read, notes)
    _check_prices(read, notes)


def held(ingredients: Sequence[Ingredient]) -> float:
    """What ingredients at a set level take of the total (adjusters at their expected level)."""
    return math.fsum(i.level or 0.0 for i in ingredients if i.role in ("fixed", "adjuster"))


def left_over(total: float, ingredients: Sequence[Ingredient]) -> float:
    """What varied ingredients and the fill add up to, free of the dust of adding decimals."""
    return float(f"{total - held(ingredients):.12g}")


def _check_varied(read: Parts, notes: Notes) -> None:
    fills = [i.name for i in read.ingredients if i.role == "fill"]
    if len(fills) > 1:
        got = f"{' and '.join(fills)} each take up the rest"
        do = "give all but one a level or limits"
        notes.stop("two-fills", "[[ingredient]]", got, "one ingredient with qs = true", do)
    if not notes.stopped_in("factor") and not any(i.role == "varied" for i in read.ingredients) and not read.factors:
        do = "give an ingredient low and high, or add a factor"
        notes.stop("nothing-varied", "study.toml", "varies nothing", "an ingredient with low and high, or a factor", do)


def _check_sums(read: Parts, notes: Notes) -> None:
    if not read.ingredients or sum(i.role == "fill" for i in read.ingredients) > 1:
        return
    total = read.total
    blend = [i for i in read.ingredients if i.role in ("varied", "fill")]
    least = math.fsum([held(read.ingredients), *(i.low or 0.0 for i in blend)])
    most = math.fsum([held(read.ingredients), *(total if i.high is None else i.high for i in blend)])
    slack = 1e-9 * total
    if least > total + slack:
        what = "lowest" if blend else "fixed"
        got = f"the {what} levels already add up to {least:g}"
        notes.stop("cannot-add-up", "[[ingredient]]", got, f"at most {total:g}", "lower some low or level")
    elif most < total - slack:
        got = f"the highest levels add up to only {most:g}"
        do = "raise some high, or let one ingredient take up the rest (qs = true)"
        notes.stop("cannot-add-up", "[[ingredient]]", got, f"at least {total:g}", do)
    for item in blend:
        if item.high is not None and item.high > total + slack:
            got = f"high {item.high:g} is above the total {total:g}"
            do = f"check high, and whether total = {total:g} is meant"
            notes.add("high-above-total", "warn", f"ingredient {item.name!r}", got, f"up to {total:g}", do)


def _check_unit(read: Parts, notes: Notes) -> None:
    unit = str(read.study.get("unit", ""))
    if not read.ingredients or not unit:
        return
    if read.total == 1 and "%" in unit:
        got = f"levels are in {unit} and add up to 1"
        notes.add("unit-of-total", "warn", "[study], unit", got, "", 'write unit = "fraction", or total = 100')
    if read.total == 100 and folded(unit) in ("fraction", "fractions", "proportion", "proportions", "share", "shares"):
        got = f"levels are {unit} and add up to 100"
        notes.add("unit-of-total", "warn", "[study], unit", got, "", 'write total = 1, or unit = "% w/w"')


def _check_made_of(read: Parts, notes: Notes) -> None:
    inside = {i.name: set(i.made_of).union(*(m.made_of for m in i.choice)) for i in read.ingredients}
    for name in inside:
        seen: set[str] = set()
        ahead = [name]
        while ahead:
            for part in inside.get(ahead.pop(), ()):
                if part == name:
                    got = "is made of itself" if name in inside[name] else "is made of something made of it"
                    where, allowed = f"ingredient {name!r}, made_of", "what goes into it"
                    notes.stop("made-of-itself", where, got, allowed, "name the materials it was made from")
                    ahead = []
                    break
                if part not in seen:
                    seen.add(part)
                    ahead.append(part)


def _check_level(read: Parts, name: str, value: Any, where: str, notes: Notes) -> bool:
    """Whether a level of a recipe is one: a number, or a category's name."""
    columns = [i.name for i in read.ingredients] + [f.name for f in read.factors]
    if name not in columns:
        allowed = "names of ingredients and factors"
        notes.stop("unknown-name", where, f"{name} is not known", allowed, hint(name, columns))
        return False
    factor = next((f for f in read.factors if f.name == name), None)
    if factor is not None and factor.is_category:
        if value not in factor.levels:
            allowed = "one of " + ", ".join(factor.levels)
            notes.stop("unknown-level", where, f"{name} = {shown(value)}", allowed, hint(str(value), factor.levels))
        return value in factor.levels
    if not is_number(value) or (factor is None and value < 0):
        allowed = WORDS["number"] if factor else "a number, 0 or more"
        notes.stop("wrong-type", where, f"{name} = {shown(value)}", allowed, "write the number alone")
        return False
    return True


def _check_recipe(read: Parts, recipe: Mapping[str, Any], where: str, notes: Notes, sound: bool) -> None:
    good = [_check_level(read, name, value, where, notes) for name, value in recipe.items()]
    needed = [i.name for i in read.ingredients if i.role == "varied" and not i.withdrawn] + [
        f.name for f in read.factors
    ]
    whole = with_none(read.ingredients, recipe)
    missing = [name for name in needed if name not in whole]
    if missing:
        # No stop: only the plan needs it, which refuses it; results can be taken in and fitted all the same.
        do = "give each before planning; fixed ingredients and the fill follow"
        got = f"has no level of {', '.join(missing)}"
        notes.add("missing-level", "warn", where, got, "all that varies", do)
    for item in read.ingredients:
        off = item.role == "fixed" and item.name in recipe and recipe[item.name] != item.level
        if off and is_number(recipe[item.name]):
            got = f"{item.name} = {recipe[item.name]:g}, but it is fixed"
            notes.stop("fixed-off", where, got, f"level {item.level:g}", "leave it out of the recipe")
    if all(good) and not missing and sound and read.ingredients:
        _check_sum(read, recipe, where, notes)


def _check_sum(read: Parts, recipe: Mapping[str, Any], where: str, notes: Notes) -> None:
    """Whether a recipe adds up to the total: what it does not name is at its level, the fill takes up the rest."""
    fill = next((i.name for i in read.ingredients if i.role == "fill"), None)
    levels = [recipe.get(i.name, 0.0 if i.role == "varied" else i.level) for i in read.ingredients if i.name != fill]
    given = math.fsum(v or 0.0 for v in levels) + float(recipe.get(fill, 0.0) if fill else 0.0)
    slack = _SLACK * read.total
    if given > read.total + slack or (given < read.total - slack and (fill is None or fill in recipe)):
        do = "mend a level" if fill is None else f"mend a level, or leave {fill} out: it takes up the rest"
        notes.stop("cannot-add-up", where, f"the levels add up to {given:.6g}", f"{read.total:g}", do)


def _check_references(read: Parts, notes: Notes) -> None:
    for reference in read.references:
        where = f"reference {reference.name!r}"
        good = [_check_level(read, name, value, f"{where}, levels", notes) for name, value in reference.levels.items()]
        _check_measured(read, reference, f"{where}, measured", notes)
        if read.ingredients and all(good) and all(i.name in reference.levels for i in read.ingredients):
            given = math.fsum(float(reference.levels[i.name]) for i in read.ingredients)
            if abs(given - read.total) > 0.005 * read.total:
                got = f"the levels add up to {given:.6g}"
                notes.add("cannot-add-up", "warn", f"{where}, levels", got, f"{read.total:g}", "check the levels")


def _check_measured(read: Parts, reference: Reference, where: str, notes: Notes) -> None:
    responses = {r.name: r for r in read.responses}
    for name, value in reference.measured.items():
        if name not in responses:
            got, allowed = f"{name} is not known", "names of responses"
            notes.stop("unknown-name", where, got, allowed, hint(name, list(responses)))
        elif isinstance(value, str) and responses[name].grades:
            grades = responses[name].grades
            got = f"{name} = {shown(value)}"
            notes.stop("unknown-level", where, got, "one of " + ", ".join(grades), hint(value, grades))
        elif not is_number(value):
            got = f"{name} = {shown(value)}"
            notes.stop("wrong-type", where, got, WORDS["number"], "write the number alone")


def _check_terms(read: Parts, notes: Notes) -> None:
    names = [i.name for i in read.ingredients if i.role in ("varied", "fill")]
    names += [f.name for f in read.factors if not f.is_category]
    categories = {f.name: f.levels for f in read.factors if f.is_category}
    for key, texts in (("terms", read.plan.terms), ("maybe", read.plan.maybe)):
        for text in texts if isinstance(texts, tuple) else ():
            try:
                Term.parse(text, names, categories)
            except ValueError as error:
                allowed = "terms such as Gum, Gum × Wax, Gum²"
                notes.stop("unknown-term", f"[plan], {key}", str(error), allowed, "mend the term")


def _check_steps(read: Parts, notes: Notes) -> None:
    phases = dict.fromkeys(i.phase for i in read.ingredients if i.phase)
    known = [*phases, *(i.name for i in read.ingredients)]
    factors = [factor.name for factor in read.factors]
    for n, step in enumerate(read.steps, 1):
        for name in factors_named(step) if not notes.stopped_in("factor") else ():
            if name not in factors:
                got = f"{{{name}}} names no factor"
                allowed = "in braces a factor, of which each sheet then says its level"
                do = hint(name, factors) or "take the braces out, or name a factor"
                notes.stop("unknown-name", f"step {n}", got, allowed, do)
        for name in step.takes:
            if name not in known:
                where, got = f"step {n}, takes", f"{name} is not known"
                notes.stop("unknown-name", where, got, "a phase or an ingredient", hint(name, known))
        if step.temp_c is not None and step.temp_c[0] > step.temp_c[1]:
            got = f"{step.temp_c[0]:g} is above {step.temp_c[1]:g}"
            notes.stop("low-above-high", f"step {n}, temp_c", got, "[lowest, highest]", "swap them")


def _check_responses(read: Parts, notes: Notes) -> None:
    names = [r.name for r in read.responses]
    for response in read.responses:
        _check_readable(response, notes)
        if response.of is not None and response.is_exact:
            _check_of_ingredient(response, [i.name for i in read.ingredients], notes)
        elif response.of is not None and response.of not in names:
            where, got = f"response {response.name!r}, of", f"{response.of} is not known"
            notes.stop("unknown-name", where, got, "a response", hint(response.of, names))
        elif response.of is not None and response.is_derived:
            _check_curve(next(r for r in read.responses if r.name == response.of), response, read.ingredients, notes)
    if not any(not r.is_exact for r in read.responses):
        do = "add a [[response]] for each thing that will be measured"
        notes.add("nothing-measured", "warn", "[[response]]", "nothing is measured", "at least one response", do)


def _check_of_ingredient(response: Response, names: Sequence[str], notes: Notes) -> None:
    named = QUANTITIES.get(str(response.source))
    if named is not None and named.of == "ingredient" and response.of not in names:
        where, got = f"response {response.name!r}, of", f"{response.of} is not known"
        notes.stop("unknown-name", where, got, "an ingredient", hint(str(response.of), names))


def _check_curve(curve: Response, wanted: Response, ingredients: Sequence[Ingredient], notes: Notes) -> None:
    got = curve_problem(curve, wanted, ingredients)
    if got:
        do = f'give {curve.name} kind = "curve" and against = "shear rate" (in 1/s), "rpm" or "time"; mend the unit'
        notes.stop("no-curve", f"response {wanted.name!r}, of", got, "a curve it can be taken from", do)
    elif (found := rates_problem(curve, wanted)) is not None:
        notes.add("curve-rates", "warn", f"response {wanted.name!r}", *found)


def _check_readable(response: Response, notes: Notes) -> None:
    lowest, highest = response.reads
    for key in ("low", "high"):
        value = getattr(response, key)
        if value is None or response.aim == "watch":
            continue
        if (lowest is not None and value < lowest) or (highest is not None and value > highest):
            got = f"{key} {value:g} is beyond what the method can read"
            span = f"{'' if lowest is None else f'{lowest:g}'} to {'' if highest is None else f'{highest:g}'}".strip()
            do = "use a method that reads as far, or check reads"
            notes.add("limit-not-readable", "warn", f"response {response.name!r}", got, span, do)


def _check_samples(read: Parts, notes: Notes) -> None:
    batch = float(read.study.get("batch_g", 400.0))
    taken = math.fsum([read.make.retain_g, *(r.sample_g or 0.0 for r in read.responses)])
    if taken > batch * (1.0 if read.make.make_up else 1.0 - read.make.loss):
        got = f"tests and the kept sample take {taken:g} g of a batch of {batch:g} g"
        do = "make larger batches, or take less"
        notes.add("batch-too-small", "warn", "[study], batch_g", got, "less than the batch gives", do)


def _check_prices(read: Parts, notes: Notes) -> None:
    if not any(r.source == "cost_per_kg" for r in read.responses):
        return
    whole = [i.of(m) for i in read.ingredients for m in (m.name for m in i.choice)]
    whole += [i for i in read.ingredients if not i.choice]
    missing = list(dict.fromkeys(i.name for i in whole if i.price_per_kg is None and i.role != "fill"))
    free = [i.name for i in read.ingredients if i.price_per_kg is None and i.role == "fill"]
    if missing:
        do = "add price_per_kg; until then the cost is not available"
        notes.add("no-price", "warn", "[[ingredient]]", f"no price for {', '.join(missing)}", "a price for each", do)
    elif free:
        do = "give it a price_per_kg if it is to count"
        notes.add("no-price", "inform", f"ingredient {free[0]!r}", "takes up the rest and counts as free", "", do)
