"""A whole job for a test in a few lines: a study planned, its trials measured by a made-up rule, models and formula."""

from types import SimpleNamespace

from doe import plan
from optimise import find, fit
from reports import write_report


def job_of(study, measured, **search):
    """The study with its plan, results, models and best formula; `measured` makes the readings of the plan's table.

    `search` goes to `find`.
    """
    design = plan(study)
    results = study.results(measured(design.table), design=design)
    models = fit(study, results)
    best = find(study, models, **search)
    return SimpleNamespace(study=study, design=design, results=results, models=models, best=best)


def written(job, path):
    """The report of a job at `path`, which is returned."""
    write_report(path, job.study, design=job.design, results=job.results, models=job.models, best=job.best)
    return path
