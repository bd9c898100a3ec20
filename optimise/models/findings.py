"""What a fit has to say for itself, in words: batches that stand out, drift, spread, a guess, nothing to fit at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from doe.problems import Problem, Unavailable, listed, rounded
from doe.results.results import Results
from optimise.models.scales import BoxCox, Scale
from optimise.statistics.diagnosis import (
    COPIED,
    LackOfFit,
    Number,
    added,
    influence_limit,
    outlier_limit,
    spread_with_level,
)
from optimise.statistics.leastsq import ALONE, Array, Influence, LeastSquares, solve

if TYPE_CHECKING:
    from optimise.models.fitted import FittedModel

AFTER_CHOICE = "sd-after-choice"
# Of 900 simulated fits (10 to 30 batches in 3 to 5 directions) those warned of by this share of the degrees of freedom
# have a residual sd of 0.77 of the true one in the middle, too small in 75 of 100; the others one of 0.96.
_MUCH = 0.2
_SURE = 0.01  # two trends are looked for in every response, so each is reported only beyond one in a hundred


def say(code: str, level: str, where: str, got: str, do: str) -> Problem:
    """A finding about one response (`where`): a warning, or a piece of information for any other `level`."""
    return Problem(code, "warn" if level == "warn" else "inform", where, got, "", do)


def blocks_left_out(where: str, difference: str) -> Problem:
    """That there are too few batches for blocks beside the terms; `difference` says where those of blocks are then."""
    got = "too few batches to allow for blocks as well"
    return say(
        "blocks-left-out", "warn", where, got, f"make more batches; differences between blocks are now in {difference}"
    )


def blocks_confounded(where: str) -> Problem:
    """That blocks and terms cannot be told apart."""
    got = "blocks and terms changed together, so block differences are in the terms"
    return say("blocks-confounded", "warn", where, got, "make some trials of each block again in another")


def outlier_findings(
    where: str,
    X: Array,
    y: Array,
    fit: LeastSquares,
    influence: Influence,
    names: Sequence[str],
    scale: Scale,
    without: Callable[[int], LeastSquares] | None = None,
) -> list[Problem]:
    """Batches beyond the Bonferroni limit, and batches that decide much, each with what changes without it.

    X (n, r) are the columns and y (n,) the values of the `fit`, on the model `scale`; `names` those of the batches.
    `without` gives the fit without one of them, where it is not that of plain least squares.
    """
    out: list[Problem] = []
    if not fit.has_error or fit.df < 3:
        return out
    limit, decisive = outlier_limit(fit), influence_limit(fit)
    for i, name in enumerate(names):
        if influence.deleted_defined[i] and abs(influence.deleted[i]) > limit:
            others = solve(np.delete(X, i, axis=0), np.delete(y, i)) if without is None else without(i)
            side = "higher" if fit.residual[i] > 0 else "lower"
            moved = float(np.max(np.abs(X[:, others.kept] @ others.estimate - fit.fitted))) / fit.sd
            change = (
                f"without it the residual sd would be {rounded(others.sd)} instead of {rounded(fit.sd)} and fitted"
                f" values would move by up to {rounded(moved, 2)} sd"
                if others.has_error
                else ""
            )
            got = (
                f"{name} came out {abs(influence.deleted[i]):.1f} sd {side} than the other batches lead to expect"
                f" (a chance batch of {fit.n} stays within {limit:.1f}); {change}".rstrip("; ")
            )
            out.append(
                say(
                    "outlier",
                    "warn",
                    where,
                    got,
                    "look at its sheet and readings; set it aside only for a reason found there",
                )
            )
        elif influence.defined[i] and influence.cook[i] > decisive:
            expected, was = (float(v) for v in scale.back([y[i] - fit.deletion_residual[i], y[i]]))
            got = (
                f"{name} decides much by itself: predicted from the other batches it is {rounded(expected, 4)},"
                f" it was {rounded(was, 4)} (Cook's distance {influence.cook[i]:.2f})"
            )
            out.append(say("influential", "inform", where, got, "check it, or make a further batch near it"))
    alone = [name for name, h in zip(names, fit.leverage, strict=True) if h >= 1 - ALONE]
    if alone:
        verb = "decides" if len(alone) == 1 else "decide"
        got = f"{', '.join(alone)} alone {verb} a term: fitted exactly, whatever was measured"
        out.append(say("alone", "inform", where, got, "make a further batch near it if the term matters"))
    return out


def trend_findings(
    where: str, X: Array, y: Array, fit: LeastSquares, order: Array | None, scale: Scale, turn: Array | None = None
) -> list[Problem]:
    """Drift with the run order and errors that grow with the level.

    X (n, r), y (n,) and `scale` as in `outlier_findings`; `order` (n,) of making; `turn` as in `added`.
    """
    out: list[Problem] = []
    if order is not None:
        drift = added(X, y, fit, order, turn)
        if drift is not None and drift.p < _SURE:
            way = "up" if drift.slope > 0 else "down"
            size = abs(drift.slope) * float(np.ptp(order)) / fit.sd
            got = (
                f"results drift {way} with the order of making, by {size:.1f} sd from first to last"
                f" (p = {rounded(drift.p, 2)})"
            )
            out.append(say("drift", "warn", where, got, "look for what changed at the bench; repeat an early recipe"))
    spread = spread_with_level(fit)
    if spread is not None and spread.p < _SURE:
        way = "grows" if spread.slope > 0 else "shrinks"
        do = (
            'try scale = "log" or "auto"'
            if scale.name == "linear" and spread.slope > 0
            else "trust intervals less at that end"
        )
        out.append(say("spread", "warn", where, f"the scatter {way} with the level (p = {rounded(spread.p, 2)})", do))
    return out


def quality_findings(
    where: str, fit: LeastSquares, r2: Number, predicted: Number, lack: LackOfFit | Unavailable
) -> list[Problem]:
    """Few degrees of freedom, a model that predicts worse than the mean, a shape that does not fit, a perfect fit."""
    out: list[Problem] = []
    if fit.df > 0 and fit.exact and isinstance(r2, Unavailable):
        got, do = "every batch gave the same value", "look whether the method can tell these batches apart"
        out.append(say("all-equal", "warn", where, got, do))
    elif fit.df > 0 and fit.exact:
        got = "the model reproduces every value to the last digit"
        out.append(say("perfect-fit", "warn", where, got, "check that the values were measured, not computed"))
    elif fit.df == 0:
        batches = "1 batch carries" if fit.n == 1 else f"{fit.n} batches carry"
        terms = "1 term and leaves" if fit.n == 1 else f"{fit.rank} terms and leave"
        got = f"{batches} {terms} nothing to judge the error by"
        out.append(say("no-error", "warn", where, got, "make further batches, or fit fewer terms"))
    elif fit.df < 3:
        plural = "s" if fit.df > 1 else ""
        got = f"only {fit.df} degree{plural} of freedom left: intervals are wide and no test sees much"
        out.append(say("few-df", "warn", where, got, "make further batches, or fit fewer terms"))
    if fit.rank > 1 and not isinstance(predicted, Unavailable) and predicted < 0:
        shown = "" if isinstance(r2, Unavailable) else f", though R² is {r2:.2f}"
        got = (
            f"left-out batches are predicted worse than by the plain mean (R² predicted {rounded(predicted, 2)}{shown})"
        )
        out.append(
            say(
                "predicts-badly",
                "warn",
                where,
                got,
                "do not rely on this model between the trials; fit fewer terms",
            )
        )
    if lack is COPIED and fit.has_error:
        out.append(say("copied", "warn", where, COPIED.reason, COPIED.do))
    if isinstance(lack, LackOfFit):
        if lack.p < 0.05:
            got = f"the shape misses: what is left is {rounded(lack.f)} times the variance of replicates"
            got += f" (p = {rounded(lack.p, 2)})"
            out.append(
                say(
                    "lack-of-fit",
                    "warn",
                    where,
                    got,
                    "fit more terms or another scale; look at the residuals",
                )
            )
        elif lack.df[1] < 3:
            freedom = f"{lack.df[1]} degree{'' if lack.df[1] == 1 else 's'} of freedom"
            got = f"the test of the shape rests on {freedom} of replicates and is nearly blind"
            out.append(say("blind-test", "inform", where, got, "make more replicate batches"))
    return out


def choice_findings(model: FittedModel) -> list[Problem]:
    """That a residual sd is too small, as the same batches chose a good part of the terms it is left over from.

    Nothing where what predicts takes it for larger than that of a batch: it then holds what the terms miss as well.
    """
    picked, sd, df, ahead = len(model.chosen), model.residual_sd, model.df_residual, model.batch_sd
    if isinstance(sd, Unavailable) or not picked or picked < _MUCH * (picked + df):
        return []
    got = (
        f"{picked} of its terms {'were' if picked > 1 else 'was'} chosen by these {model.n} batches, {df}"
        f" degree{'' if df == 1 else 's'} of freedom left: the residual sd, {rounded(sd)}, is likely too small"
    )
    do = "replicate batches measure it"
    if not isinstance(ahead, Unavailable):
        low, high = ahead["limits"]
        if sd > high:
            return []
        ends = f"({round(100 * ahead['level'])} % {rounded(low)} to {rounded(high)})"
        got += f"; predictions reckon with a batch sd of {rounded(ahead['sd'])} {ends}"
        do = f"judge batches by that of the predictions; {do}"
    return [say(AFTER_CHOICE, "warn", model.response, got, do)]


def scale_findings(where: str, scale: Scale, power: BoxCox | Unavailable) -> list[Problem]:
    """A scale that the scatter speaks against: its likelihood lies beyond that of one in a hundred (Box & Cox 1964)."""
    if isinstance(power, Unavailable):
        return []
    loss, other = power.loss(scale.name), "log" if scale.name == "linear" else "linear"
    beside = power.loss(other)
    if loss is None or beside is None or loss < 0.5 * float(stats.chi2.isf(_SURE, 1)) or beside >= loss:
        return []
    got = (
        f"fitted on the {scale.name} scale, but the scatter speaks for a power of {rounded(power.power, 2)}"
        f" (95 % likelihood {rounded(power.low, 2)} to {rounded(power.high, 2)}; linear is 1, log is 0)"
    )
    do = f'try scale = "{other}", or "auto"'
    if not power.low <= (0 if other == "log" else 1) <= power.high:
        do = f'scale = "{other}" comes nearer but does not fit either: look at the batches that lie furthest off first'
    return [say("scale-doubtful", "inform", where, got, do)]


def pooled_reading_sd(sds: Array, counts: Array) -> float | None:
    """Sd of readings of one batch, pooled over batches: sds (n,) of `counts` (n,) readings; None where none has two."""
    many = (counts > 1) & np.isfinite(sds)
    df = float(np.sum(counts[many] - 1))
    if df == 0:
        return None
    return float(np.sqrt(np.sum((counts[many] - 1) * sds[many] ** 2) / df))


def left_out(results: Results) -> list[Problem]:
    """What is on record and no fit counts: batches set aside or failed, and what the study has since moved on from."""
    batches = results.batches.drop(index=results.usable)
    out = [one for one in results.findings if one.code == "out"]
    if len(batches):
        who = [f"{batch} ({row['state']}: {row['why']})" for batch, row in batches.iterrows()]
        do = "blendwright record FOLDER --restore TRIAL --why ... takes one in again"
        out.append(say("not-counted", "inform", "batches", f"not counted: {listed(who)}", do))
    return out


def nothing_to_fit(results: Results) -> Problem:
    """Why there is nothing to fit, and what can be done: as the definition moved on, as batches went, or as yet."""
    gone = next((one for one in results.findings if one.code == "none-left"), None)
    if gone is not None:
        return replace(gone, level="stop")
    if len(results.usable):
        got = f"none of the {len(results.usable)} usable batches has a reading that can be fitted"
        do = "read them, and record what was read; what was left out, and why, status says"
        bounds = results.counted["bound"].fillna("none")
        if len(bounds) and (bounds != "none").all():
            got += ": every reading is only a bound"
            do = "read some of them where the method gives a number (another range, spindle or dilution), and record it"
        return Problem("nothing-read", "stop", "results", got, "readings of a response of the study", do)
    if not len(results.batches):
        return Problem("nothing-read", "stop", "results", "no batch is on record", "readings", "record results first")
    states = listed([f"{n} {state}" for state, n in Counter(map(str, results.batches["state"])).items()])
    got = f"no batch on record counts: {states}"
    do = "restore those that do (record --restore T01), or plan new trials: blendwright plan FOLDER"
    return Problem("none-left", "stop", "results", got, "batches that were made", do)
