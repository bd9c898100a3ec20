"""The command line. Only this module starts anything; a command's own module is loaded when it is asked for."""

from __future__ import annotations

import argparse
import contextlib
import importlib
import json
import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from studies.arguments import COMMANDS, UsageError, harmless, parser

if TYPE_CHECKING:
    from doe.problems import Problem

_BLAS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS", "BLIS_NUM_THREADS")
TRACE = "BLENDWRIGHT_TRACE"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command came to: the JSON document, the words for a person, the exit code (0 or 1)."""

    document: Mapping[str, Any]
    text: str
    code: int = 0


class OutputError(Exception):
    """What is to be said cannot be written where it was to go: a full disk, or a reader that has gone."""

    def __init__(self, error: OSError) -> None:
        super().__init__(str(error))
        self.error = error


@dataclass(frozen=True, slots=True)
class Desk:
    """Where a command talks while it works: `say` for a person (silent with --json), `progress` on a terminal."""

    as_json: bool

    def say(self, text: str) -> None:
        """Print a line now, unless a JSON document was asked for."""
        if not self.as_json:
            _print(harmless(text))

    def progress(self, text: str) -> None:
        """A passing word on standard error, only where a person watches."""
        if not self.as_json and sys.stderr is not None and sys.stderr.isatty():
            print(f"\r\033[K{text}", end="\r" if text else "", file=sys.stderr, flush=True)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command. Returns the exit code: 0 done, 1 look at something, 2 the input is wrong.

    Never raises for anything a person typed or any file they gave; a defect in the program is said in one
    sentence (set BLENDWRIGHT_TRACE=1 to see where it happened).
    """
    words = list(sys.argv[1:] if argv is None else argv)
    as_json = "--json" in words
    for name in _BLAS:
        os.environ.setdefault(name, "1")
    name = next((word for word in words if not word.startswith("-")), "")
    try:
        try:
            if any("\0" in word for word in words):
                raise UsageError("command line", "a sign with the code 0", "words and names of files")
            args = parser().parse_args(words)
        except UsageError as fault:
            return _refuse_usage(fault, name, as_json)
        except SystemExit as end:
            return int(end.code or 0)
        return _started(args, as_json)
    except KeyboardInterrupt:
        _complain("stopped; the study is as it was, or as the command would have left it")
        return 130
    except OutputError as gone:
        return _unheard(gone.error)


def _unheard(error: OSError) -> int:
    """The end of a command that could not say what it had to: 0 where its reader has gone (blendwright ... | head)."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if isinstance(error, BrokenPipeError):
        return 0
    got = f"cannot be written: {error.strerror or type(error).__name__}"
    do = "make room, then: blendwright status FOLDER. What the command did to the study is whole"
    _complain(f"the output: {got}; a place with room for it; {do}")
    return 1


def _complain(text: str) -> None:
    """A line on standard error, where there is one that can take it."""
    with contextlib.suppress(OSError, ValueError):
        if sys.stderr is not None:
            print(text, file=sys.stderr, flush=True)


def _started(args: argparse.Namespace, as_json: bool) -> int:
    if args.version:
        _print(f"blendwright {version()}")
        return 0
    if not args.command:
        parser().print_help()
        return 0
    return _run(args, as_json)


def _run(args: argparse.Namespace, as_json: bool) -> int:
    """Run the command and say what came of it; every refusal and defect is turned into words and an exit code."""
    from doe.problems import Problem, StudyError
    from studies.pending import UnfinishedError

    _one_thread()
    before = _written()
    try:
        command: Callable[[argparse.Namespace, Desk], Outcome] = importlib.import_module(
            f"studies.commands.{args.command}"
        ).run
        if args.cluster is None and args.workers == 1:
            outcome = command(args, Desk(as_json))
        else:
            with importlib.import_module("studies.workers").carried_by(args.workers, args.cluster):
                outcome = command(args, Desk(as_json))
    except (KeyboardInterrupt, OutputError):
        raise
    except UnfinishedError as error:
        return _refuse(args.command, error.problems, as_json, code=1)
    except StudyError as error:
        return _refuse(args.command, error.problems, as_json, code=2 if _written() == before else 1)
    except OSError as error:
        where = os.path.basename(error.filename) if isinstance(error.filename, str) else "a file"
        problem = Problem(
            "file", "stop", where, error.strerror or type(error).__name__, "a file this command can use",
            "look at its name, its permissions and the room on the disk",
        )  # fmt: skip
        return _refuse(args.command, [problem], as_json, code=2 if _written() == before else 1)
    except Exception as error:
        if os.environ.get(TRACE):
            raise
        stands = _written() != before
        changed = _changed_outside(args)
        if changed:
            return _refuse(args.command, changed, as_json, code=1 if stands else 2)
        said = "what the command wrote stands in the journal" if stands else "nothing was written"
        problem = Problem(
            "defect", "stop", f"blendwright {args.command}", f"{type(error).__name__}: {error}",
            f"this is a defect of the program, not of your study; {said}",
            f"repeat with {TRACE}=1 in the environment and report what it prints",
        )  # fmt: skip
        return _refuse(args.command, [problem], as_json, code=1 if stands else 2)
    _print(as_text(outcome.document) if as_json else harmless(outcome.text))
    return outcome.code


def _changed_outside(args: argparse.Namespace) -> list[Problem]:
    """Files of the study that were changed by hand: what a command trips over then is no defect."""
    from pathlib import Path

    from studies.inspection import inspect

    with contextlib.suppress(Exception):
        return [problem for problem in inspect(Path(args.folder)) if problem.level == "stop"]
    return []


def _written() -> int:
    """How many changes this process has written to studies; another may write to the same one meanwhile."""
    writing = sys.modules.get("studies.writing")
    return int(writing.Change.written) if writing is not None else 0


def _one_thread() -> None:
    # The environment only counts before numpy is loaded; a caller may have loaded it already.
    importlib.import_module("numpy")
    importlib.import_module("threadpoolctl").threadpool_limits(1)


def version() -> str:
    """The installed version."""
    from importlib.metadata import PackageNotFoundError
    from importlib.metadata import version as installed

    try:
        return installed("blendwright")
    except PackageNotFoundError:
        return "not installed"


def as_text(document: Mapping[str, Any]) -> str:
    """A JSON document as text; plain ASCII where the output cannot carry more."""
    wide = (getattr(sys.stdout, "encoding", "") or "").lower().replace("-", "") == "utf8"
    return json.dumps(document, indent=2, ensure_ascii=not wide, allow_nan=False)


_PLAINER = str.maketrans(
    {"\u2212": "-", "\u00a0": " ", "\u202f": " ", "\u2009": " ", "×": "x", "²": "^2", "³": "^3", "€": "EUR "}
)


def _print(text: str) -> None:
    if sys.stdout is None:
        return  # started where nobody listens
    encoding = sys.stdout.encoding or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(_PLAINER).encode(encoding, "replace").decode(encoding)
    try:
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
    except OSError as error:
        raise OutputError(error) from error


def _refuse_usage(fault: UsageError, command: str, as_json: bool) -> int:
    from doe.problems import Problem

    got, allowed, do = fault.got, fault.allowed, "see blendwright --help"
    if command in COMMANDS:
        do = f"see blendwright {command} --help"
    elif command:
        near = importlib.import_module("difflib").get_close_matches(command, COMMANDS, 1)
        got, allowed = f"{command} is no command", "one of " + ", ".join(COMMANDS)
        meant = _OPTIONS_OF.get(command) or (near[0] if near else "")
        do = f"blendwright {meant} is meant? {do}" if meant else do
    return _refuse(command, [Problem("usage", "stop", fault.where, got, allowed, do)], as_json)


# What people take for a command and is an option of one.
_OPTIONS_OF = {word: f"record FOLDER --{word}" for word in ("set-aside", "restore", "correct")} | {
    "withdraw": "plan FOLDER --withdraw",
    "compare": "plan FOLDER --compare",
    "confirm": "next FOLDER --confirm",
    "learn": "next FOLDER --learn",
}


def _refuse(command: str, problems: Iterable[Problem], as_json: bool, code: int = 2) -> int:
    """Say what is wrong. Code 2: nothing was written; 1: something stands, and is to be looked at."""
    listed = list(problems)
    if as_json:
        from reports.documents import problem_document

        _print(as_text(problem_document(command, listed)))
        return code
    stops = [problem for problem in listed if problem.level == "stop"]
    for problem in stops or listed:
        _complain(harmless(str(problem)).replace("\n", " "))
    count = len(stops or listed)
    if code == 2:
        _complain(f"Nothing was written. {count} thing{'s' if count != 1 else ''} to put right.")
    return code


if __name__ == "__main__":
    sys.exit(main())
