"""All responses fitted together, and what they say of any recipe."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.problems import ModelError, Problem, Unavailable
from doe.recipes.costs import exact_values
from doe.results.own_names import with_own_names
from doe.results.results import Results
from doe.shown import Shown
from doe.study import Study
from doe.terms.codings import CODINGS
from doe.threads import one_thread
from optimise.models.aims import fitted_musts, has_window, musts
from optimise.models.batchdata import shares
from optimise.models.chance import Window, chance_interval, joint_chance
from optimise.models.choosing import TermsChoice
from optimise.models.correlation import residual_correlation
from optimise.models.effects import DirectedEffect, directed_effects
from optimise.models.fence import NO_FENCE, Fence
from optimise.models.findings import left_out, nothing_to_fit
from optimise.models.fitted import FittedModel
from optimise.models.fitting import fit_response
from optimise.models.gumlaw import PowerLaw, gum_findings, power_law
from optimise.models.hull import Hull
from optimise.models.lastround import last_round, last_round_findings
from optimise.models.modelfile import stored, stored_fence
from optimise.models.otherform import OtherForm, other_form
from optimise.models.plannedlimits import PlannedLimits, planned_limits, simultaneous_planned_limits
from optimise.models.points import NO_LIMITS, exact_chance, points, within
from optimise.models.predictors import Chosen, LeastSquaresPredictor, Predictor, split_levels
from optimise.models.recipes import recipes
from optimise.models.simultaneous import SimultaneousLimits, simultaneous_limits
from optimise.statistics.leastsq import Array
from optimise.statistics.predictive import TMixture

QUANTITIES = (
    "predicted", "confidence_low", "confidence_high", "prediction_low", "prediction_high", "tolerance_low",
    "tolerance_high", "chance",
)  # fmt: skip


@one_thread
def fit(
    study: Study,
    results: Results,
    terms: TermsChoice = "select",
    *,
    coding: str = "units",
    without: Sequence[str] = (),
) -> Models:
    """Fit every measured response of `study` to `results`.

    `terms`: "select" keeps sure (else first-order) terms and those that pay by AICc, and predicts by the averaged
    posterior; "all" keeps every planned term and predicts by least squares. `coding` is that of the coefficients shown:
    units, proportion, l-pseudo, coded. `without` leaves trials out for a look.

    Raises ModelError when there is nothing to fit, or `terms` or `coding` is not known.
    """
    problems = []
    if terms not in ("select", "all"):
        problems.append(Problem("unknown-terms", "stop", "terms", repr(terms), "select or all", "choose one of them"))
    if coding not in CODINGS:
        problems.append(
            Problem("unknown-coding", "stop", "coding", repr(coding), ", ".join(CODINGS), "choose one of them")
        )
    if not study.fitted_responses:
        problems.append(
            Problem("no-response", "stop", "[[response]]", "no measured response", "one at least", "add one")
        )
    if problems:
        raise ModelError(problems)
    used = results.without(without) if without else results
    left_out = {str(trial): "left out for this look" for trial in without}
    models = {r.name: fit_response(study, used, r, terms, coding, left_out) for r in study.fitted_responses}
    if not any(model.n for model in models.values()):
        raise ModelError([nothing_to_fit(used)])
    return Models(study, used, terms, coding, models)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Models(Shown, Mapping[str, FittedModel]):
    """Every fitted response by name, with the study and results they rest on.

    What predicts: the averaged posterior for terms "select", the least-squares planned model for "all".
    """

    study: Study
    results: Results
    terms_choice: TermsChoice
    coding: str
    models: Mapping[str, FittedModel]
    _kept: dict[str, Any] = field(default_factory=dict)

    def __getitem__(self, name: str) -> FittedModel:
        if name not in self.models:
            raise KeyError(f"{name!r} is no response that was fitted: {', '.join(self.models)}")
        return self.models[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.models)

    def __len__(self) -> int:
        return len(self.models)

    def __str__(self) -> str:
        return f"Models of {', '.join(self.models)} ({self.terms_choice})"

    __repr__ = __str__

    @property
    def results_digest(self) -> str:
        """Digest of the results that were fitted."""
        return self.results.digest

    @property
    def findings(self) -> tuple[Problem, ...]:
        """The findings of all responses, the gum's power law where one is read, and what is on record and left out."""
        own = tuple(finding for model in self.models.values() for finding in model.findings)
        told = [*own, *self.clashes, *gum_findings(self.study, self.results), *left_out(self.results)]
        return tuple(with_own_names(self.results, told))

    @property
    def clashes(self) -> tuple[Problem, ...]:
        """Where the last round came out otherwise than the models of the rounds before it let expect."""
        if "clashes" not in self._kept:
            number, trials = last_round(self.results.batches.loc[self.results.usable])
            found: list[Problem] = []
            with suppress(ModelError):  # the rounds before may be too little for a model
                if trials:
                    before = fit(self.study, self.results, self.terms_choice, coding=self.coding, without=trials)
                    found = last_round_findings(number, trials, self, before, self.tried)
            self._kept["clashes"] = tuple(found)
        told: tuple[Problem, ...] = self._kept["clashes"]
        return told

    def planned(self, response: str) -> FittedModel:
        """Least squares of the full planned model where it leaves an error to judge by, else the model as chosen."""
        if self.terms_choice == "all":
            return self.models[response]
        kept = self._kept.setdefault("planned", {})
        if response not in kept:
            full = fit_response(self.study, self.results, self.study.response(response), "all", self.coding)
            kept[response] = full if full.core is not None and full.core.error is not None else self.models[response]
        found: FittedModel = kept[response]
        return found

    def together(self, response: str) -> SimultaneousLimits | Unavailable:
        """Limits of a response's terms that hold for all of them at once.

        Whatever was chosen, where the batches carry the full planned model and a term kept means the same there.
        """
        found = self._kept.setdefault("together", {})
        if response not in found:
            limits = self.planned_limits(response)
            found[response] = (
                simultaneous_limits(self.models[response])
                if isinstance(limits, Unavailable) or limits.alike.isdisjoint(self.models[response].terms["term"])
                else simultaneous_planned_limits(self.planned(response), limits)
            )
        out: SimultaneousLimits | Unavailable = found[response]
        return out

    def other_form(self, response: str) -> OtherForm | Unavailable:
        """The same blend fitted in its other form (fill left out, or Scheffé's), and whether the two agree."""
        found = self._kept.setdefault("other form", {})
        if response not in found:
            found[response] = other_form(self.study, self.results, self.models[response], self.terms_choice)
        out: OtherForm | Unavailable = found[response]
        return out

    def power_law(self, response: str) -> PowerLaw | Unavailable:
        """The gum's power law as a further form of a thickness, set beside the terms that are read."""
        return power_law(self.study, self.results, self.models[response])

    def planned_limits(self, response: str) -> PlannedLimits | Unavailable:
        """Limits of every planned term in the full planned model: each by itself, over all planned terms."""
        model, count = self.models[response], len(self.study.terms(self.study.response(response).model))
        return planned_limits(model, self.planned(response) if model.core is not None else model, count)

    def effects(self, response: str) -> tuple[DirectedEffect, ...] | Unavailable:
        """What a response does along every direction through the middle of the region, by the terms that are read."""
        return directed_effects(self.study, self.models[response])

    def entry(self, response: str) -> dict[str, Any]:
        """The entry of one response in `fit --json`: its fit, limits that hold together, other forms, effects."""
        more = {"together": self.together(response), "other_form": self.other_form(response),
                "power_law": self.power_law(response), "planned_limits": self.planned_limits(response)}  # fmt: skip
        found = self.effects(response)
        effects = found.to_dict() if isinstance(found, Unavailable) else [one.to_dict() for one in found]
        told = {key: value.to_dict() for key, value in more.items()}
        return {**self.models[response].to_dict(), **told, "effects": effects}

    def predictor(self, response: str, *, planned: bool = False) -> Predictor | Unavailable:
        """What predicts a response; with `planned` the least squares that published desirability is defined on."""
        model = self.planned(response) if planned else self.models[response]
        if not planned or model.core is None:
            return model.predictor
        error = model.core.error or (0.0, 1.0)
        return LeastSquaresPredictor(model.core.terms, model.core.coding, model.core.beta, model.core.unscaled, *error)

    @property
    def residual_correlation(self) -> pd.DataFrame:
        """Correlation between responses of what a batch differs by, shrunk towards none; index and columns by name."""
        if "correlation" not in self._kept:
            self._kept["correlation"] = residual_correlation(self.models)
        found: pd.DataFrame = self._kept["correlation"]
        return found.copy()

    @property
    def fence(self) -> Fence | None:
        """The fence of what was tried, under the planned model; None where the trials carry not even a plane."""
        if "fence" not in self._kept:
            tried = self.tried
            X, chosen = split_levels(tried, self.study.region)
            recipes = [str(one) for one in self.results.batch_rows.loc[tried.index, "replicate_group"]]
            self._kept["fence"] = Fence.build(self.study.terms(), self.study.region, X, chosen, recipes)
        found: Fence | None = self._kept["fence"]
        return found

    @property
    def tried(self) -> pd.DataFrame:
        """Recipes as made of the batches that were read, indexed by batch; the blend adds up as it was fitted."""
        readings = self.results.counted
        read = set(readings["batch"][readings["value"].notna()])
        levels = self.results.levels()
        levels = levels[[batch in read for batch in levels.index]].copy()
        levels[list(self.study.region.names)] = shares(self.study.region, levels)
        return levels

    def _tried_levels(self) -> tuple[Array, dict[str, npt.NDArray[Any]]]:
        return split_levels(self.tried, self.study.region)

    def _levels(self, frame: pd.DataFrame) -> tuple[pd.DataFrame, Array, Chosen]:
        whole = recipes(self.study, frame)
        return whole, *split_levels(whole, self.study.region)

    def predictive(self, response: str, frame: pd.DataFrame) -> TMixture:
        """What is known of a response at recipes `frame`, on its model scale. Raises ModelError where nothing is."""
        _, X, chosen = self._levels(frame)
        return self.models[response].predictive_at(X, chosen)

    def predict(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Predictions at recipes `frame`: its index, columns (response, quantity) in the response's unit.

        Quantities: predicted (on a log or logit scale the median); confidence, prediction and tolerance limits (95 %,
        tolerance of 95 % of batches); chance of one new batch meeting the response's limits. A number that does not
        exist is `Unavailable`.
        """
        _, X, chosen = self._levels(frame)
        columns: dict[tuple[str, str], Any] = {}
        for name, model in self.models.items():
            for quantity, values in self._quantities(model, X, chosen).items():
                columns[name, quantity] = values
        for response in self.study.exact_responses:
            values = self.exact(frame)[response.name].to_numpy()
            columns[response.name, "predicted"] = values
            columns[response.name, "chance"] = exact_chance(values, response.window)
        out = pd.DataFrame(columns, index=frame.index)
        out.columns = pd.MultiIndex.from_tuples(list(columns), names=["response", "quantity"])
        return out

    def _quantities(self, model: FittedModel, X: Array, chosen: Chosen) -> dict[str, Any]:
        n = len(X)
        if isinstance(model.predictor, Unavailable):
            return {quantity: [model.predictor] * n for quantity in QUANTITIES}
        law = model.predictor.at(X, chosen)
        scale, (low, high) = model.scale, model.window
        out: dict[str, Any] = {"predicted": scale.back(law.median())}
        intervals = {
            "confidence": law.mean_interval(),
            "prediction": law.batch_interval(),
            "tolerance": law.tolerance(),
        }
        one = Unavailable("a batch passes or fails, and nothing between", "read the chance instead")
        for name, ends in intervals.items():
            binary = model.kind == "pass" and name != "confidence"
            for j, side in enumerate(("low", "high")):
                out[f"{name}_{side}"] = [one] * n if binary else scale.back(ends[:, j])
        # A limit that every value meets leaves no window, but it was asked for, and is met.
        asked = low is not None or high is not None or has_window(self.study.response(model.response))
        out["chance"] = law.chance(low, high) if asked else [NO_LIMITS] * n
        return out

    def exact(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Exact responses at recipes `frame`: its index, a column each."""
        whole = recipes(self.study, frame)
        columns = {}
        for response in self.study.exact_responses:
            values = exact_values(self.study, response, whole)
            columns[response.name] = [values] * len(whole) if isinstance(values, Unavailable) else values
        return pd.DataFrame(columns, index=frame.index)

    def joint(self, frame: pd.DataFrame) -> tuple[Array, Array] | Unavailable:
        """Chance that a new batch meets every must (n,), and its 90 % interval (n, 2); or why there is none.

        The interval is that of `chance_interval`, which holds the chance: what it may be in truth.
        """
        found = self._musts(frame)
        if isinstance(found, Unavailable):
            return found
        laws, windows, exact_ok = found
        if not laws:
            return exact_ok, np.column_stack([exact_ok, exact_ok])
        chance = self._joined(laws, windows)
        return chance * exact_ok, chance_interval(laws, windows, chance=chance) * exact_ok[:, None]

    def joint_chance(self, frame: pd.DataFrame, made: pd.DataFrame | None = None) -> Array | Unavailable:
        """The chance alone of `joint`, (n,): for many recipes, as its interval takes longer.

        `made`: what comes of each recipe at the bench, m rows one after another for each of `frame`; then (n, m). Exact
        quantities, as the cost, are those of the recipe as it is written.
        """
        found = self._musts(frame)
        if isinstance(found, Unavailable):
            return found
        laws, windows, exact_ok = found
        if made is None:
            return self._joined(laws, windows) * exact_ok if laws else exact_ok
        shape = (len(frame), -1)
        again = self._musts(made)
        if isinstance(again, Unavailable):
            return again
        joint = self._joined(*again[:2]) if laws else np.ones(len(made))
        return joint.reshape(shape) * exact_ok[:, None]

    def _joined(self, laws: list[TMixture], windows: list[Window]) -> Array:
        names = [response.name for response in fitted_musts(self.study)]
        return joint_chance(laws, windows, self.residual_correlation.loc[names, names].to_numpy()).joint

    def must_laws(self, frame: pd.DataFrame) -> tuple[list[TMixture], list[Window]] | Unavailable:
        """What predicts each fitted must at recipes, and its window, in the order of `fitted_musts`."""
        _, X, chosen = self._levels(frame)
        laws = []
        for response in fitted_musts(self.study):
            predictor = self.models[response.name].predictor
            if isinstance(predictor, Unavailable):
                return Unavailable(f"{response.name}: {predictor.reason}", predictor.do)
            laws.append(predictor.at(X, chosen))
        return laws, [self.models[r.name].window for r in fitted_musts(self.study)]

    def _musts(self, frame: pd.DataFrame) -> tuple[list[TMixture], list[Window], Array] | Unavailable:
        """What predicts each fitted must at recipes, its window, and whether the exact musts are met (n,), 1 or 0."""
        whole, X, _ = self._levels(frame)
        exact_ok = np.ones(len(X))
        for response in musts(self.study):
            if response.is_exact:
                values = exact_values(self.study, response, whole)
                if isinstance(values, Unavailable):
                    return values
                exact_ok *= within(values, response.window)
        if not musts(self.study) and not fitted_musts(self.study):
            do = "give an aim and limits to what a batch has to meet"
            return Unavailable("no response is a must with limits", do)
        laws = self.must_laws(frame)
        return laws if isinstance(laws, Unavailable) else (*laws, exact_ok)

    def chance(self, frame: pd.DataFrame) -> pd.Series:
        """Chance that one new batch meets every must, for each recipe. Raises ModelError where there is none."""
        found = self.joint_chance(frame)
        if isinstance(found, Unavailable):
            raise ModelError([Problem("no-chance", "stop", "chance", found.reason, "a chance of every must", found.do)])
        return pd.Series(found, index=frame.index, name="chance")

    def leverage(self, frame: pd.DataFrame) -> pd.Series:
        """Variance of the mean at recipes `frame` in units of the batch variance, under the planned model.

        Raises ModelError where the trials carry no model.
        """
        _, X, chosen = self._levels(frame)
        fence = self.fence
        if fence is None:
            raise ModelError([Problem("no-fence", "stop", "leverage", NO_FENCE.reason, "more trials", "make more")])
        return pd.Series(fence.leverage(X, chosen), index=frame.index, name="leverage")

    def inside(self, frame: pd.DataFrame) -> pd.Series:
        """Whether each recipe lies in the region and is predicted no worse than some trial under the planned model."""
        _, X, chosen = self._levels(frame)
        within = self.study.region.contains(X, chosen=chosen)
        fence = self.fence
        if fence is not None:
            within = within & fence.inside(X, chosen)
        return pd.Series(within, index=frame.index, name="inside")

    def in_hull(self, frame: pd.DataFrame) -> pd.Series:
        """Whether each recipe is a mean of recipes as made, with the same categories."""
        _, X, chosen = self._levels(frame)
        return pd.Series(Hull(*self._tried_levels()).holds(X, chosen), index=frame.index, name="in_hull")

    def points(self, frame: pd.DataFrame, told: Callable[[int], None] | None = None) -> list[dict[str, Any]]:
        """What is known at each recipe of `frame`, in the form of `predict --json`.

        `together` holds limits by which all responses of one recipe can be read at once, at least 95 % (Bonferroni).
        Many recipes are done part by part, wherever shared work is done; where it is not shared, `told` hears how many
        are done after each part.
        """
        return points(self, frame, told)

    def to_dict(self) -> dict[str, Any]:
        """All that a script needs to repeat the predictions (models.json)."""
        responses = {name: stored(model, self.study.response(name)) for name, model in self.models.items()}
        correlation = self.residual_correlation
        return {
            "terms": self.terms_choice,
            "coding": self.coding,
            "digests": {**self.study.digests, "results": self.results_digest},
            "columns": list(self.study.region.names),
            "responses": responses,
            "residual_correlation": {
                str(name): {str(k): float(v) for k, v in row.items()} for name, row in correlation.iterrows()
            },
            "fence": stored_fence(self.fence),
        }
