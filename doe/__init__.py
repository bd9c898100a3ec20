"""What to try: the study definition, the region, terms, designs, the bench records."""

from doe.design.compare import compare
from doe.design.design import Design, plan
from doe.problems import ModelError, PlanError, Problem, ResultsError, StudyError, Unavailable
from doe.region.region import Region
from doe.results.results import Results
from doe.study import Study
from doe.terms.terms import Terms

__all__ = [
    "Design",
    "ModelError",
    "PlanError",
    "Problem",
    "Region",
    "Results",
    "ResultsError",
    "Study",
    "StudyError",
    "Terms",
    "Unavailable",
    "compare",
    "plan",
]
