"""What a fit of one response starts from."""

from __future__ import annotations

from dataclasses import dataclass

from doe.definition.parts import Response
from doe.study import Study
from doe.terms.terms import Terms
from optimise.models.batchdata import BatchData


@dataclass(frozen=True, slots=True, eq=False)
class FitTask:
    """One response of a study, its batches, the terms planned for it, and the coding its coefficients are asked in."""

    study: Study
    response: Response
    planned: Terms
    coding: str
    data: BatchData

    @property
    def where(self) -> str:
        """The name of the response, under which findings are told."""
        return self.response.name
