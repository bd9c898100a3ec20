"""The terms of models that go by a name: linear, quadratic, cubic and factorial, in the form that suits the region.

Scheffé (1958) J. R. Stat. Soc. B 20, 344-360, for blends; polynomials for factors, and for blends less their
fill.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

from doe.definition.categories import contrasts
from doe.problems import Problem, StudyError
from doe.region.region import Region
from doe.terms.term import Categories, Form, Term


def form_of(region: Region, model: str | Mapping[str, str], names_fill: bool) -> Form:
    """The form a model takes over a region; `names_fill`: whether its terms name what takes up the rest."""
    if not region.blend:
        return "process"
    blend_model = model.get("blend", "quadratic") if isinstance(model, Mapping) else model
    if region.fill is None or names_fill or blend_model in ("special-cubic", "full-cubic"):
        return "scheffe"
    return "slack"


def not_repeated(have: Sequence[Term], more: Sequence[Term], region: Region, form: Form) -> list[Term]:
    """Those of `more` that do not say again what `have` says.

    In Scheffé's form the sum over all ingredients of ingredient × factor is the factor itself: beside a factor that
    stands alone its product with the last ingredient is left out.
    """
    if form != "scheffe":
        return list(more)
    last = Term(((region.blend[-1], 1),))
    alone = [t for t in have if t.order and not any(name in region.blend for name, _ in t.powers)]
    repeated = {last.times(t) for t in alone if all(Term(((n, 1),)).times(t) in more for n in region.blend)}
    return [t for t in more if t not in repeated]


def parsed_terms(texts: Sequence[str], region: Region, where: str) -> tuple[Term, ...]:
    """Terms as people write them, each once. Raises StudyError, at `where`, with every one that is not known."""
    problems, out = [], []
    for text in texts:
        try:
            out.append(Term.parse(text, region.names, region.categories))
        except ValueError as error:
            problems.append(
                Problem(
                    "unknown-term", "stop", where, str(error), "terms such as Gum, Gum × Wax, Gum²", "mend the term"
                )
            )
    if problems:
        raise StudyError(problems)
    return tuple(dict.fromkeys(out))


def model_terms(region: Region, form: Form, model: str | Mapping[str, str]) -> tuple[Term, ...]:
    """The terms of a named model or of {blend, process, cross}, intercept first where the form has one."""
    if isinstance(model, Mapping):
        blend_model = model.get("blend", "quadratic" if region.blend else "linear")
        process_model = model.get("process", "linear")
        cross = model.get("cross", "linear")
    else:
        blend_model = model
        process_model = "linear" if model == "linear" else "quadratic"
        cross = "none" if model == "linear" else "linear"
    numeric = [n for n in region.names if n not in region.blend]
    process = _process(numeric, region.categories, process_model)
    if form == "process":
        return (Term(), *process)
    blend = _blend(region, form, blend_model)
    first = [t for t in process if t.order == 1]
    intercept = () if form == "scheffe" else (Term(),)
    if cross == "none":
        return (*intercept, *blend, *process)
    if cross == "full":
        crossed = [b.times(p) for p in process for b in blend]
        main = [] if form == "scheffe" else process
        return (*intercept, *blend, *main, *crossed)
    linear = [b for b in blend if b.order == 1]
    crossed = [b.times(p) for p in first for b in linear]
    if form == "scheffe":
        # The sum over all ingredients of ingredient × factor is the factor itself.
        return (*blend, *(t for t in process if t.order > 1), *crossed)
    return (*intercept, *blend, *process, *crossed)


def _blend(region: Region, form: Form, model: str) -> list[Term]:
    names = [n for n in region.blend if form == "scheffe" or n != region.fill]
    single = [Term(((n, 1),)) for n in names]
    if model == "linear":
        return single
    pairs = [Term(((a, 1), (b, 1))) for a, b in combinations(names, 2)]
    triples = [Term(tuple((n, 1) for n in three)) for three in combinations(names, 3)]
    if form == "slack":
        bent = [*single, *pairs, *(Term(((n, 2),)) for n in names)]
        return [*bent, *triples, *_cubes(names)] if model == "full-cubic" else bent
    if model == "quadratic":
        return [*single, *pairs]
    if model == "special-cubic":
        return [*single, *pairs, *triples]
    bends = [Term(((a, 1), (b, 1)), difference=(a, b)) for a, b in combinations(names, 2)]
    return [*single, *pairs, *bends, *triples]


def _cubes(names: Sequence[str]) -> list[Term]:
    """The terms of third order in one or two levels: Gum² × Wax, Gum × Wax², Gum³."""
    mixed = [Term(((a, p), (b, 3 - p))) for a, b in combinations(names, 2) for p in (2, 1)]
    return [*mixed, *(Term(((n, 3),)) for n in names)]


def _process(numeric: Sequence[str], categories: Categories, model: str) -> list[Term]:
    single = [Term(((n, 1),)) for n in numeric]
    named = [[Term(level=((f, v),)) for v in contrasts(f, levels)] for f, levels in categories.items()]
    named = [group for group in named if group]
    first = [*single, *(t for group in named for t in group)]
    if model == "linear":
        return first
    groups = [[t] for t in single] + named
    products: list[Term] = []
    most = len(groups) if model == "factorial" else 2
    for size in range(2, most + 1):
        for chosen in combinations(groups, size):
            made = [Term()]
            for group in chosen:
                made = [a.times(b) for a in made for b in group]
            products += made
    squares = [] if model == "factorial" else [Term(((n, 2),)) for n in numeric]
    return [*first, *squares, *products]
