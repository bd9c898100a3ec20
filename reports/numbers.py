"""Numbers as people read them: rounded by their uncertainty, in one place. JSON never passes through here."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

from doe.problems import MINUS, Unavailable

Amount = float | Unavailable | None

THIN = "\u202f"  # narrow no-break space: groups thousands, and stands between a number and its unit
NOTHING = "not available"

_NEXT_TO_0 = 1e-6  # of the upper end of an interval: a lower end below it is as good as none; our choice
_SMALL, _LARGE = 1e-7, 1e12  # outside of these, zeros are not counted: an exponent says how many

_MOST_MORE = 8  # digits that are added at most to tell a number from a limit

_SYMBOLS = {"EUR": "€", "GBP": "£", "USD": "$"}


def exists(value: object) -> bool:
    """Whether `value` is a finite number (an `Unavailable`, None, NaN or text is not)."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def places_for(error: float) -> int:
    """How many decimal places a number with standard error `error` deserves; negative: tens, hundreds.

    Rounding rule of the Particle Data Group (Review of Particle Physics, introduction, from memory): if the
    three leading digits of the error are 100-354 keep two digits of it, 355-949 keep one, 950-999 round it
    up to 1000 and keep two.

    >>> places_for(0.827), places_for(0.119), places_for(0.967)
    (1, 2, 1)
    """
    exponent = math.floor(math.log10(error))
    leading = round(error / 10.0 ** (exponent - 2))
    if leading >= 1000:  # 999.6 rounds up to the next decade
        leading, exponent = 100, exponent + 1
    if leading <= 354:
        return 1 - exponent
    if leading <= 949:
        return -exponent
    return -exponent


def plain(value: float, places: int) -> str:
    """`value` with `places` decimals (negative: rounded to tens, hundreds), thousands apart, a true minus."""
    step = Decimal(1).scaleb(-places)
    rounded = Decimal(repr(float(value))).quantize(step, rounding=ROUND_HALF_EVEN)
    digits = f"{rounded:.{max(places, 0)}f}"
    sign = MINUS if digits.startswith("-") and float(digits) != 0 else ""
    whole, _, rest = digits.lstrip("-").partition(".")
    if len(whole) > 4:
        head = len(whole) % 3
        groups = ([whole[:head]] if head else []) + [whole[i : i + 3] for i in range(head, len(whole), 3)]
        whole = THIN.join(groups)
    return f"{sign}{whole}.{rest}" if rest else f"{sign}{whole}"


def figure(value: Amount, error: Amount = None, digits: int = 3) -> str:
    """A number to read: rounded by its standard `error` where there is one, else to `digits` significant digits.

    What does not exist says so in words; it is never a blank or a zero.
    """
    if not isinstance(value, int | float) or not exists(value):
        return NOTHING
    if isinstance(error, int | float) and exists(error) and error > 0:
        places = places_for(error)
        # An error larger than the number must not wipe it out: keep one digit of it.
        if value != 0:
            places = max(places, -math.floor(math.log10(abs(value))))
        if value != 0 and not _SMALL <= abs(value) < _LARGE:
            return precise(value, max(places + math.floor(math.log10(abs(value))) + 1, 1))
        return plain(value, min(places, 12))
    if value == 0:
        return "0"
    if not _SMALL <= abs(value) < _LARGE:
        return precise(value, digits)
    places = digits - 1 - math.floor(math.log10(abs(value)))
    text = plain(value, places)
    return text.rstrip("0").rstrip(".") if "." in text else text


def precise(value: Amount, digits: int = 6) -> str:
    """A number for the analyst's tables: `digits` significant digits, with an exponent where it is far from 1."""
    if not isinstance(value, int | float) or not exists(value):
        return NOTHING
    if value != 0 and not 1e-4 <= abs(value) < 10.0 ** max(digits, 6):
        mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
        return f"{mantissa.rstrip('0').rstrip('.').replace('-', MINUS)}e{int(exponent)}"
    places = digits - 1 - (math.floor(math.log10(abs(value))) if value else 0)
    text = plain(value, max(places, 0))
    return text.rstrip("0").rstrip(".") if "." in text else text


def estimated(value: Amount, error: Amount) -> tuple[str, str]:
    """An estimate and its standard error for the analyst's tables, both to two digits of the error.

    Where there is no error the estimate has four digits.

    >>> estimated(4.82646, 0.1695), estimated(-0.0005, 0.0058), estimated(12345.6, 789)
    (('4.83', '0.17'), ('−0.0005', '0.0058'), ('12\u202f350', '790'))
    """
    if not isinstance(value, int | float) or not exists(value):
        return NOTHING, NOTHING
    if not isinstance(error, int | float) or not exists(error) or error <= 0:
        return precise(value, 4), NOTHING
    exponent = math.floor(math.log10(error))
    if round(error / 10.0 ** (exponent - 1)) >= 100:  # 0.0996 rounds up to the next decade
        exponent += 1
    places = 1 - exponent
    if any(number != 0 and not _SMALL <= abs(number) < _LARGE for number in (value, error)):
        own = places + math.floor(math.log10(abs(value))) + 1 if value != 0 else 1
        return precise(value, max(own, 1)), precise(error, 2)
    return plain(value, places), plain(error, places)


def statistic(value: Amount) -> str:
    """A t or F: two decimals, one from 10 on, none from 100 on; what lies far out takes an exponent."""
    if not isinstance(value, int | float) or not exists(value):
        return NOTHING
    size = abs(value)
    return precise(value, 3) if size >= 1e6 else plain(value, 0 if size >= 100 else 1 if size >= 10 else 2)


def p_value(value: Amount) -> str:
    """A p to two digits; below one in ten thousand its size says nothing that the method could hold."""
    if not isinstance(value, int | float) or not exists(value):
        return NOTHING
    return "< 0.0001" if value < 1e-4 else figure(value, digits=2)


def with_unit(text: str, unit: str) -> str:
    """A number with its unit, kept on one line. What is not available takes no unit; `1000 candle` is multiplied.

    The unit one is not written (ISO 80000-1, 6.5.1, from memory).
    """
    if unit == "1":
        return text
    if unit[:1].isdigit() and text != NOTHING:
        return f"{text}{THIN}×{THIN}{unit}"
    return f"{text}{THIN}{unit}" if unit and text != NOTHING else text


def headed(name: str, unit: str) -> str:
    """What heads a column or an axis: `Force [kN]`; its name alone where the unit is its name, or there is none."""
    return f"{name} [{unit}]" if unit and unit != name else name


def between(low: Amount, high: Amount, unit: str = "", error: Amount = None) -> str:
    """An interval: `18 900 to 25 100 mPa.s`. Both ends are rounded alike; an open end says so, one next to 0 too.

    >>> between(4e-59, 0.00066), between(0.0, 0.00066)
    ('under 0.00066', '0.00000 to 0.00066')
    """
    if not exists(low) and not exists(high):
        return NOTHING
    if error is None and isinstance(low, int | float) and isinstance(high, int | float) and exists(high - low):
        error = (high - low) / 4 or None
    if not exists(low):
        return f"up to {with_unit(figure(high, error), unit)}"
    if not exists(high):
        return f"{with_unit(figure(low, error), unit)} or more"
    if isinstance(low, int | float) and isinstance(high, int | float) and 0 < low < _NEXT_TO_0 * high:
        return f"under {with_unit(figure(high, error), unit)}"
    return f"{figure(low, error)} to {with_unit(figure(high, error), unit)}"


def common_places(values: Iterable[Any]) -> int | None:
    """How many decimals readings of one thing are written with: those of the finest, as the others end in noughts.

    None where they span more than a decade, as these are read to so many digits and not to so many decimals.

    >>> common_places([5.4, 5.29]), common_places([0.4, 12.25])
    (2, None)
    """
    known = [abs(float(v)) for v in values if exists(v)]
    most, least = max(known, default=0.0), min((v for v in known if v > 0), default=0.0)
    if not known or most > 10 * least:
        return None
    return max(len(f"{v:.12f}".rstrip("0").partition(".")[2]) for v in known)


def alike(values: Iterable[float]) -> list[str]:
    """Numbers of one table or axis, all with the same decimals: the least has three digits, or the greatest has four.

    >>> alike([0.3, 0.391, 0.8]), alike([13.0, 0.414]), alike([2750, 432])
    (['0.300', '0.391', '0.800'], ['13.00', '0.41'], ['2750', '432'])
    """
    every = list(values)
    sizes = [math.floor(math.log10(abs(v))) for v in every if v]
    places = min(2 - min(sizes), 3 - max(sizes)) if sizes else 0
    # No noughts behind the point that none of them needs.
    while places > 0 and all(abs(round(v, places - 1) - v) < 1e-9 * max(1.0, abs(v)) for v in every):
        places -= 1
    return [plain(v, places) for v in every]


def limits(low: float | None, high: float | None, unit: str = "") -> str:
    """What a spec asks for, exactly as written: `15 000 to 30 000 mPa.s`, `at least 3`, `at most 3.20`."""
    if low is None and high is None:
        return "no limit"
    if low is None:
        return f"at most {with_unit(exactly(high), unit)}"
    if high is None:
        return f"at least {with_unit(exactly(low), unit)}"
    return f"{exactly(low)} to {with_unit(exactly(high), unit)}"


def exactly(value: Amount) -> str:
    """A number that somebody wrote, as written: no rounding beyond the twelfth digit."""
    if not isinstance(value, int | float) or not exists(value):
        return NOTHING
    text = f"{value:.12g}"
    if "e" in text:
        return text.replace("-", MINUS)
    return plain(float(text), len(text.partition(".")[2]))


def level(value: Amount, step: float | None = None, total: float = 100.0) -> str:
    """A level of the recipe: to its weighable step, else to a part in ten thousand of the total.

    One that is not on its step, as of a recipe that was given, has up to four decimals more, as it needs.
    """
    if not isinstance(value, int | float) or not exists(value):
        return NOTHING
    if step:
        places = _decimals(step)
        more = (k for k in range(places, places + 5) if abs(round(value, k) - value) < 1e-9 * max(1.0, abs(value)))
        return plain(value, next(more, places + 4))
    places = max(4 - math.ceil(math.log10(total)), 0) if total > 0 else 2
    return plain(value, places)


def grams(value: Amount, step_g: float | None = None) -> str:
    """A weight to the readability of the balance (0.01 g where none is given)."""
    if not isinstance(value, int | float) or not exists(value):
        return NOTHING
    return plain(value, _decimals(step_g or 0.01))


def room(low: float, high: float, digits: int = 3) -> str:
    """From where to where a level may go, both ends with the same decimals: `3.33 to 3.40`, `2.00 to 2.01`.

    As many as either end needs for `digits` digits.
    """
    places = max(len(figure(end, digits=digits).partition(".")[2]) for end in (low, high))
    return f"{plain(low, places)} to {plain(high, places)}"


def _decimals(step: float) -> int:
    """How many decimals a step has, up to ten."""
    return len(f"{step:.10f}".rstrip("0").partition(".")[2])


def percent(share: Amount, digits: int = 0) -> str:
    """A share as percent; never `100 %` or `0 %` for what is only nearly so."""
    if not isinstance(share, int | float) or not exists(share):
        return NOTHING
    near = 0.5 * 10.0 ** -(digits + 2)
    edge = 10.0**-digits
    if 1 - near <= share < 1:
        return f"over {plain(100 - edge, digits)}{THIN}%"
    if 0 < share <= near:
        return f"under {plain(edge, digits)}{THIN}%"
    if abs(share) >= _LARGE:
        return f"{precise(100 * share, 3)}{THIN}%"
    return f"{plain(100 * share, digits)}{THIN}%"


def likely(chance: Amount, digits: int = 0) -> str:
    """The one form of a chance that rests on models: as percent, never sure, however far it was rounded."""
    return percent(min(max(chance, 1e-9), 1 - 1e-9), digits) if isinstance(chance, int | float) else percent(chance)


def chance_between(low: float, high: float) -> str:
    """A chance's interval: `56 % to 96 %`, `under 1 % to over 99 %`; one that has no room says so."""
    ends = [likely(end) for end in (low, high)]
    return f"all of it {ends[0]}" if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"


def _told_apart(value: float, limits: Sequence[float | None], write: Callable[[float, int], str]) -> str:
    """`value` written with as few more digits as tell it from each of the limits that it does not equal."""
    near = [end for end in limits if end is not None and abs(value - end) > 1e-9 * max(1.0, abs(end))]
    texts = ((write(value, more), [write(end, more) for end in near]) for more in range(_MOST_MORE))
    return next((text for text, others in texts if text not in others), write(value, _MOST_MORE))


def beside(value: Amount, limits: Sequence[float | None] = (), digits: int = 4) -> str:
    """An exact number: to `digits` digits, to more where it takes them to tell it from a limit.

    >>> beside(1.097, (None, 1.1)), beside(1.10002, (None, 1.1)), beside(1.1, (None, 1.1)), beside(0.95932)
    ('1.097', '1.10002', '1.1', '0.9593')
    """
    if not isinstance(value, int | float) or not exists(value):
        return NOTHING
    return _told_apart(value, limits, lambda number, more: figure(number, digits=digits + more))


def money(value: Amount, currency: str = "", limit: float | None = None, whole: bool = False) -> str:
    """Money: two decimals below a hundred, whole above; more where it takes them to tell it from `limit`.

    Currency as its sign where it has a common one. `whole`: without decimals, as where a column passes a hundred.

    >>> money(1.102, "EUR"), money(1.102, "EUR", 1.1), money(1.1, "EUR", 1.1)
    ('€1.10', '€1.102', '€1.10')
    """
    if not isinstance(value, int | float) or not exists(value):
        return NOTHING
    places = 2 if abs(value) < 100 and not whole else 0
    text = _told_apart(value, (limit,), lambda number, more: plain(number, places + more))
    sign = _SYMBOLS.get(currency)
    return f"{sign}{text}" if sign else with_unit(text, currency)


def in_ten(chance: float) -> float:
    """A chance as jars of ten, 0.0 to 10.0, to a tenth of a jar."""
    return round(10 * min(max(chance, 0.0), 1.0), 1)


def batches_in_words(chance: Amount, what: str = "new batches") -> str:
    """A chance as batches, `about 74 of 100 new batches`: the very figure that `likely` prints, so that the two agree.

    Whole tens are told of ten. There is no other denominator: shares of 20, 25 and 100 are hard to set side by side.

    >>> batches_in_words(0.8), batches_in_words(0.82), batches_in_words(0.996), batches_in_words(0.02)
    ('about 8 of 10 new batches', 'about 82 of 100 new batches', 'more than 99 of 100 new batches',
     'about 2 of 100 new batches')
    """
    if not isinstance(chance, int | float) or not exists(chance):
        return NOTHING
    if chance >= 0.995:
        return f"more than 99 of 100 {what}"
    if chance <= 0.005:
        return f"fewer than 1 of 100 {what}"
    hundredths = int(plain(100 * chance, 0))
    return f"about {hundredths} of 100 {what}" if hundredths % 10 else f"about {hundredths // 10} of 10 {what}"


def counted(n: int, one: str, many: str | None = None) -> str:
    """`1 batch`, `3 batches`."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def listed(words: list[str] | tuple[str, ...]) -> str:
    """`Gum`, `Gum and Wax`, `Gum, Wax and Oil`."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def spans(trials: Sequence[str]) -> str:
    """Ids in a sentence, three or more that follow each other as one span: `T02 to T07, T11`."""
    runs: list[list[str]] = []
    for trial in trials:
        if runs and _next_id(runs[-1][-1]) == trial:
            runs[-1].append(trial)
        else:
            runs.append([trial])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs)


def _next_id(trial: str) -> str:
    """The id after this one, whether of a trial (T07) or of its batch (T07-1)."""
    head, dash, making = trial.partition("-")
    digits = head.lstrip("T")
    return f"T{int(digits) + 1:0{len(digits)}d}{dash}{making}" if digits.isdigit() else ""
