"""All that a page needs to say of any recipe what `Models` says of it: models, region, fence, exact sums, chances.

Only data go out, in the form of models.json where that has it; the page computes with the same formulas.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from doe.definition.parts import Response
from doe.problems import Unavailable
from doe.region.region import Combination, Region
from doe.study import Study
from doe.trade.forms import Form
from doe.trade.live import LiveCheck, Told, live_checks, told_by_presence
from doe.trade.stops import stop_limits
from doe.trade.suspension import readings_of
from optimise.formula.exact import Exact, Sum, exact_form, former
from optimise.models.aims import fitted_musts, has_window, musts
from optimise.models.chance import SOBOL_BITS, copula_nodes, parameter_draws
from optimise.models.fence import Fence
from optimise.models.hull import Hull
from optimise.models.models import Models
from optimise.models.predictors import split_levels

Array = npt.NDArray[np.float64]

_SPREAD = 256  # recipes drawn from each piece of the region


def live_model(study: Study, models: Models) -> dict[str, Any]:
    """The export: keys `models` (models.json), `responses`, `exact`, `cost`, `region`, `chance`, `trade`,
    and `stops`: what checks of the trade stop, as exact limits that a search keeps.

    Levels stand in the order of `region.names`. Long lists of numbers whose last digits do not count, and whole
    numbers, are little-endian arrays in base64: `nodes` unsigned 32 bit in units of 2^-30, `component` unsigned 16
    bit, `spread` and `normal` 32 bit floats.
    """
    return {
        "models": models.to_dict(),
        "responses": [_response(one) for one in study.responses if one.kind != "curve"],
        "exact": {one.name: _sums(exact_form(study, one)) for one in study.exact_responses},
        "cost": _sums(exact_form(study, Response("Cost", source="cost_per_kg"))),
        "region": _region(study, models),
        "chance": _chance(study, models),
        "trade": trade_asked(study),
        "stops": [{"window": [one.low, one.high], **_sums(exact_form(study, one))} for one in stop_limits(study)],
    }


def trade_asked(study: Study) -> dict[str, Any]:
    """Checks of the trade by choice of materials, their sums over the levels, and the responses that tell readings."""
    form, accepted = former(study), {accept.finding for accept in study.accepts}

    def one(check: LiveCheck) -> dict[str, Any]:
        live = check.live
        return {
            "code": check.code,
            "level": check.level,
            "where": check.where,
            "says": live.says,
            "allowed": check.allowed,
            "do": check.do,
            "accepted": check.code in accepted,
            "forms": [{"times": factor, **_sum(form(own))} for factor, own in live.forms],
            "reading": live.reading,
            "under": live.under,
            "low": live.low,
            "high": live.high,
            "least": None if live.least is None else {"times": live.least[0], **_sum(form(live.least[1]))},
            "present": [_sum(form(Form({name: 1.0}))) for name in live.present],
        }

    def there(told: Told) -> dict[str, Any]:
        return {
            "levels": [_sum(form(Form({name: 1.0}))) for name in told.names],
            "told": {
                key: [{"code": p.code, "level": p.level, "where": p.where, "got": p.got, "allowed": p.allowed,
                       "do": p.do, "accepted": p.code in accepted} for p in problems]
                for key, problems in told.findings.items()
            },
        }  # fmt: skip

    every, by_presence = live_checks(study), told_by_presence(study)
    return {
        "materials": [f.name for f in study.category_factors if f.of is not None],
        "readings": {key: {"response": name, "factor": factor} for key, (name, factor) in readings_of(study).items()},
        "choices": [
            {"levels": list(levels), "checks": [one(c) for c in checks], "there": there(by_presence[levels])}
            for levels, checks in every.items()
        ],
    }


def _response(response: Response) -> dict[str, Any]:
    """What is asked of a response; `window` in its own unit holds the sides that its aim leaves open as None."""
    low, high = response.window
    return {
        "name": response.name,
        "unit": response.unit,
        "kind": response.kind,
        "exact": response.is_exact,
        "aim": response.aim,
        "must": bool(response.is_must),
        "window": [low, high],
        "target": response.target,
        "limited": has_window(response),
    }


def _sums(exact: Exact | Unavailable) -> dict[str, Any]:
    """An exact response as weights over the levels and a constant, at each combination of materials.

    Of a ratio, `under` has the same of what stands under it; `bend` says what is made of it (see `Bend`).
    """
    if isinstance(exact, Unavailable):
        return exact.to_dict()
    sums = [{"levels": list(levels), **_sum(one)} for levels, one in exact.sums.items()]
    return {"materials": list(exact.materials), "sums": sums}


def _sum(one: Sum) -> dict[str, Any]:
    out: dict[str, Any] = {"weights": one.top.tolist(), "constant": one.constant}
    if one.under is not None:
        out["under"] = {"weights": one.under.tolist(), "constant": one.under_constant}
    if one.bend is not None:
        out["bend"] = {"kind": one.bend.kind, "scale": one.bend.scale, "at": one.bend.at}
    return out


def _region(study: Study, models: Models) -> dict[str, Any]:
    region, fence, tried = study.region, models.fence, models.tried
    X, chosen = split_levels(tried, region)
    middle, spread = Hull(X, chosen).scale
    pieces, combos = [], []
    for number, (piece, held) in enumerate(region.pieces):
        pieces.append(_piece(piece))
        for combo in held:
            same = np.all([chosen[name] == level for name, level in combo.items()], axis=0) if combo else slice(None)
            steps = study.steps_at(combo)
            combos.append(
                {
                    "levels": list(combo.values()),
                    "piece": number,
                    "steps": [steps.get(name) for name in region.names],
                    "anchor": _anchor(piece, combo, fence, X[same]).tolist(),
                    "made": np.unique(X[same], axis=0).tolist(),
                }
            )
    return {
        "names": list(region.names),
        "blend": list(region.blend),
        "fill": region.fill,
        "categories": {name: list(levels) for name, levels in region.categories.items()},
        "pieces": pieces,
        "combos": combos,
        "made": {"middle": middle.tolist(), "spread": spread.tolist()},
    }


def _piece(piece: Region) -> dict[str, Any]:
    """One polytope: A x <= b with labels, E x = e, and the reach of each level within all of them."""
    return {
        "A": piece.A.tolist(),
        "b": piece.b.tolist(),
        "labels": list(piece.labels),
        "E": piece.E.tolist(),
        "e": piece.e.tolist(),
        "reach": [list(map(float, piece.reach[name])) for name in piece.names],
    }


def _anchor(piece: Region, combo: Combination, fence: Fence | None, made: Array) -> Array:
    """A recipe of a combination that lies within what was tried, or as near to it as a spread of recipes comes."""
    middle = np.array([[piece.centroid[name] for name in piece.names]])
    if fence is None:
        return np.asarray(middle[0], dtype=float)
    made = made[piece.contains(made)] if len(made) else made
    X = np.vstack([middle, made, piece.sample(_SPREAD, seed=17)])
    here = {name: np.full(len(X), level, dtype=object) for name, level in combo.items()}
    leverage = fence.leverage(X, here)
    found: Array = X[0] if leverage[0] <= fence.limit else X[int(np.argmin(leverage))]
    return found


def _chance(study: Study, models: Models) -> dict[str, Any]:
    """The musts that count in the joint chance, and the fixed numbers by which it and its interval are computed."""
    fitted = fitted_musts(study)
    base, shifts = copula_nodes(len(fitted) - 1)
    draws = parameter_draws(max(len(fitted), 1))
    return {
        "musts": [r.name for r in fitted],
        "exact_musts": [r.name for r in musts(study) if r.is_exact],
        "nodes": _packed(np.round(base * 2**SOBOL_BITS), "<u4"),
        "shifts": shifts.tolist(),
        "draws": {r.name: _draws(models, r.name, draws[:, i]) for i, r in enumerate(fitted)},
    }


def _draws(models: Models, name: str, draws: Array) -> Mapping[str, str] | None:
    """The parameter draws of one response: which component, the factor of its sd, the normal deviate of its mean."""
    predictor = models.predictor(name)
    if isinstance(predictor, Unavailable):
        return None
    X, chosen = split_levels(models.tried.iloc[:1], models.study.region)
    picked, spread, normal = predictor.at(X, chosen).parameters(*draws.T)
    return {
        "component": _packed(picked, "<u2"),
        "spread": _packed(spread, "<f4"),
        "normal": _packed(normal, "<f4"),
    }


def _packed(values: npt.NDArray[Any], kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values).astype(kind).tobytes()).decode("ascii")
