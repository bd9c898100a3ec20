"""Every command and flag of `blendwright`, in one place, importing nothing heavy so that help comes at once."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import NoReturn
from unicodedata import category

SUMMARY = "Plans, fits and optimises formulation trials, and says how sure it is."

_LONGEST_REASON = 2000
ADVISED = 0  # stands for as many batches as are worth making

COMMANDS: dict[str, tuple[str, str]] = {
    "new": ("start a study from a template, a shipped example or a formula table", "blendwright new my-wash"),
    "check": ("everything wrong with the definition, the true reach, the cost", "blendwright check my-wash"),
    "plan": ("the plan of trials, its quality, and the papers for the bench", "blendwright plan my-wash --runs 24"),
    "record": (
        "take in returned workbooks or tables",
        'blendwright record my-wash returned.xlsx\n  blendwright record my-wash --set-aside T07 --why "wrong lot"',
    ),
    "fit": ("models of the responses and their diagnosis", "blendwright fit my-wash --terms all --coding coded"),
    "predict": ("what the models say of given formulas", 'blendwright predict my-wash --at "Gum=0.5,Wax=3"'),
    "optimise": (
        "the formula to make, and how sure it is",
        'blendwright optimise my-wash --keep F1\n  blendwright optimise my-wash --hold "Gum=0.5"',
    ),
    "report": ("write report.html, one file to read and decide", "blendwright report my-wash"),
    "next": ("confirmation batches, or the next trials worth making", "blendwright next my-wash --confirm 3"),
    "card": (
        "the card of a chosen formula, for a batch of any size",
        "blendwright card my-wash --formula F2 --batch 20kg",
    ),
    "status": ("where the study stands and what to do next", "blendwright status my-wash"),
    "verify": ("check the journal's chain and every recorded file", "blendwright verify my-wash"),
    "demo": ("the whole job on a shipped example, with a simulated bench", "blendwright demo"),
}
"""Command -> (one line of help, example)."""


class UsageError(Exception):
    """A command line that cannot be understood: what came, and how it is written."""

    def __init__(self, where: str, got: str, allowed: str) -> None:
        super().__init__(got)
        self.where, self.got, self.allowed = where, got, allowed


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """Raise instead of printing: the front desk words every refusal alike."""
        usage = " ".join(self.format_usage().split()).removeprefix("usage: ")
        raise UsageError("command line", message, usage)


def harmless(text: str) -> str:
    """Text without signs that steer a terminal or turn the direction of reading: names come from other people."""
    return "".join(sign if sign in "\n\t" or sign.isprintable() or category(sign) == "Zs" else "?" for sign in text)


def readable(text: str) -> str:
    """Text that may be kept: `harmless`, and what is no UTF-8 stands as ? too."""
    return harmless(text.encode("utf-8", "replace").decode("utf-8"))


def _reason(text: str) -> str:
    if len(text) > _LONGEST_REASON:
        raise argparse.ArgumentTypeError(f"a reason of {len(text)} signs; up to {_LONGEST_REASON}: say it in short")
    return readable(text)


def _whole(low: int) -> Callable[[str], int]:
    def number(text: str) -> int:
        try:
            value = int(text)
        except ValueError:
            value = low - 1
        if value < low:
            raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low} up")
        return value

    return number


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = _Parser(prog="blendwright", description=SUMMARY, allow_abbrev=False,
                  epilog="First look: blendwright demo")  # fmt: skip
    top.add_argument("--version", action="store_true", help="print the version")
    top.add_argument("--json", action="store_true", help=argparse.SUPPRESS)
    commands = top.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for name, (says, example) in COMMANDS.items():
        one = commands.add_parser(
            name,
            help=says,
            description=says[0].upper() + says[1:] + ".",
            epilog=f"example:\n  {example}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
            allow_abbrev=False,
        )
        if name == "demo":
            one.add_argument("folder", nargs="?", default="blendwright-demo", metavar="FOLDER",
                             help="where to put the study (default: blendwright-demo)")  # fmt: skip
        else:
            one.add_argument("folder", metavar="FOLDER", help="the study folder")
        _FLAGS.get(name, _nothing)(one)
        one.add_argument("--json", action="store_true", default=argparse.SUPPRESS,
                         help="one JSON document on standard output, nothing else")  # fmt: skip
        one.add_argument("--workers", type=_whole(1), default=1, metavar="N",
                         help="processes for heavy work; results do not depend on it")  # fmt: skip
        one.add_argument("--cluster", metavar="ADDRESS",
                         help="a Dask scheduler that runs already, for heavy work: tcp://10.0.0.5:8786")  # fmt: skip
    return top


def _nothing(one: argparse.ArgumentParser) -> None:
    pass


def _new(one: argparse.ArgumentParser) -> None:
    one.add_argument("--from", dest="source", metavar="NAME-or-FILE",
                     help="a shipped example, the filled form, or a formula as a table (.csv, .xlsx)")  # fmt: skip
    one.add_argument("--form", action="store_true", help="a workbook to fill instead of TOML; --from takes it back")


def _plan(one: argparse.ArgumentParser) -> None:
    one.add_argument("--runs", type=_whole(1), metavar="N", help="how many trials (default: [plan] runs)")
    one.add_argument("--seed", type=_whole(0), metavar="N", help="seed (default: [plan] seed)")
    one.add_argument("--compare", nargs="?", const="", metavar="N,N,...",
                     help="several numbers of trials and kinds of plan side by side, in plan/compare.html")  # fmt: skip
    one.add_argument("--replace", action="store_true", help="replace a round that was issued and not yet made")
    one.add_argument("--withdraw", metavar="T15-T24", help="retire trials that were not made (needs --why)")
    one.add_argument("--why", type=_reason, default="", help="the reason, kept in the journal")


def _record(one: argparse.ArgumentParser) -> None:
    one.add_argument("files", nargs="*", metavar="FILE", help="returned workbooks or tables (.xlsx, .ods, .csv)")
    one.add_argument("--set-aside", metavar="T07", help="leave a trial or batch out of the fit (needs --why)")
    one.add_argument("--state", choices=("set aside", "failed", "unmakeable"), default="set aside",
                     help="with --set-aside: why it does not count; unmakeable marks a part of the region")  # fmt: skip
    one.add_argument("--restore", metavar="T07", help="take a set-aside trial or batch in again (needs --why)")
    one.add_argument("--correct", nargs=3, metavar=("T09", "RESPONSE", "VALUE"),
                     help="a corrected reading: a new row, the old one is kept (needs --why)")  # fmt: skip
    one.add_argument("--take-as-is", action="store_true",
                     help="go on from result tables changed by hand, where no copy is left (needs --why)")  # fmt: skip
    one.add_argument("--reading", type=_whole(1), metavar="N", help="which reading to correct, where there are several")
    one.add_argument("--why", type=_reason, default="", help="the reason, kept with the record")


def _fit(one: argparse.ArgumentParser) -> None:
    one.add_argument(
        "--terms", choices=("select", "all"), help="choose terms (default), or keep the full planned model"
    )
    one.add_argument("--coding", choices=("units", "proportion", "l-pseudo", "coded"),
                     help="the form of the printed coefficients (default: units)")  # fmt: skip
    one.add_argument("--of", metavar="RESPONSE", help="all there is of one response, its tables of diagnosis too")
    one.add_argument(
        "--without",
        metavar="T07,...",
        help="a look without trials, terms as last fitted unless --terms; nothing is written",
    )


def _predict(one: argparse.ArgumentParser) -> None:
    one.add_argument(
        "--at",
        required=True,
        metavar="FILE-or-LEVELS",
        help='a formula by its name (F1), a table of formulas, or levels: "Gum=0.5,Wax=3"; what is fixed and '
        "what takes up the rest are filled in",
    )
    one.add_argument("--weighed", action="store_true",
                     help="also the chance with every weighing off by up to the tolerance of [make]")  # fmt: skip
    one.add_argument("--lots", action="store_true",
                     help="also the chance with new lots of what says how its lots differ (lot_sd)")  # fmt: skip


def _optimise(one: argparse.ArgumentParser) -> None:
    one.add_argument("--objective", choices=("chance", "desirability"), default="chance",
                     help="what to make as large as possible (default: chance; desirability is a look)")  # fmt: skip
    one.add_argument("--against", nargs="+", metavar="RESPONSE",
                     help="show the best chance for each value of RESPONSE, all through its limits or from the best of "
                          "it, not for each cost; with two, the best of the first for each of the second")  # fmt: skip
    one.add_argument("--hold", metavar="LEVELS", help='levels to hold, for a look: "Gum=0.5"')
    one.add_argument("--keep", metavar="F1", help="keep the formula under this name")
    one.add_argument("--prove", type=_whole(1), metavar="N",
                     help="look for about N seconds whether another formula may be better (default: 1, and 5 where six "
                          "or more levels are free)")  # fmt: skip
    one.add_argument("--outside", action="store_true", help="a look beyond what was tried, and say so")


def _next(one: argparse.ArgumentParser) -> None:
    which = one.add_mutually_exclusive_group()
    which.add_argument(
        "--confirm", type=_whole(1), nargs="?", const=ADVISED, metavar="N",
        help="N fresh batches of one formula; without N as many as are worth making",
    )  # fmt: skip
    which.add_argument(
        "--learn", type=_whole(1), nargs="?", const=ADVISED, metavar="N",
        help="the N next trials that teach most; without N as many as are worth making",
    )  # fmt: skip
    one.add_argument("--way", metavar="RESPONSE", help="with --learn: trials on the way up (or down) of one response")
    one.add_argument(
        "--formula", metavar="F1", help="the formula to confirm, by its name (default: the one the study is about)"
    )


def _card(one: argparse.ArgumentParser) -> None:
    one.add_argument("--formula", metavar="F2", help="a formula by its name (default: the one the study is about)")
    one.add_argument("--batch", metavar="20kg", help="batch size in g or kg (default: the study's batch_g)")


def _verify(one: argparse.ArgumentParser) -> None:
    one.add_argument("--head", metavar="DIGEST", help="the plan or journal head printed on a sheet, card or report")


def _demo(one: argparse.ArgumentParser) -> None:
    one.add_argument("--from", dest="source", default="potting-shed", metavar="EXAMPLE",
                     help="potting-shed (default), or tide-pool: a conflict of the trade, and its way out")  # fmt: skip


_FLAGS: dict[str, Callable[[argparse.ArgumentParser], None]] = {
    "new": _new,
    "plan": _plan,
    "record": _record,
    "fit": _fit,
    "predict": _predict,
    "optimise": _optimise,
    "next": _next,
    "card": _card,
    "verify": _verify,
    "demo": _demo,
}
