"""Going on from result tables that someone changed by hand: taken as they stand, with who, when and why."""

from __future__ import annotations

from doe.problems import Problem, ResultsError, StudyError
from doe.results.edited import unsound
from doe.results.results import Results, stored_results
from studies import journal
from studies.folder import StudyFolder
from studies.names import BATCHES, READINGS, refusal
from studies.originals import kept_as
from studies.writing import Change

AS_FOUND = "changed by hand, taken as it stood"


def take_as_found(folder: StudyFolder, change: Change) -> Results | None:
    """Have the tables as they stand be the record from now on, byte for byte, and a copy of each kept.

    None where both are gone, which is journalled as well: the originals can then be recorded again. Raises StudyError
    without a reason, where nothing was changed, and where the tables are no record that can be read and counted.
    """
    if not change.why.strip():
        raise refusal("no-reason", "record", "no reason", "a reason in words", 'say why: --why "..."')
    change.why = f"{AS_FOUND}: {change.why.strip()}"
    changed = folder.tables_changed()
    if not changed:
        raise refusal("nothing-to-do", "record", "the tables of results are as they were recorded",
                      "tables changed by hand", "blendwright verify FOLDER says what was changed")  # fmt: skip
    gone = [name for name in (READINGS, BATCHES) if changed.get(name) == journal.MISSING]
    if len(gone) == 1:
        raise refusal("half-gone", gone[0], "is missing", "both tables, or neither",
                      "put back a copy; where none is left, take the other table away too, take that as it is, and "
                      "record the originals again")  # fmt: skip
    if gone:
        for name in gone:
            change.remove(name)
        return None
    results = _sound(folder)
    for name in changed:
        content = (folder.path / name).read_bytes()
        change.write(name, content)
        change.write(kept_as(f"{name.rpartition('/')[2].removesuffix('.csv')}-by-hand.csv", content), content)
    return results


def _sound(folder: StudyFolder) -> Results:
    """The tables as they stand. Raises StudyError with everything that is wrong with them."""
    results = stored_results(folder.path)
    planned = [str(trial) for design in folder.designs() for trial in design.table.index]
    problems = unsound(results, planned)
    if problems:
        raise ResultsError(problems)
    try:
        folder.study.results()
    except StudyError:
        raise
    except (LookupError, TypeError, ValueError) as error:
        raise StudyError(
            [Problem("edited-wrong", "stop", "results", f"cannot be counted: {error}", "tables as record writes them",
                     "put back a copy, or record the originals again")]
        ) from error  # fmt: skip
    return results
