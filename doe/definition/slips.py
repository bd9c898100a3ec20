"""What a cell that is no number seems to be - a date, a fraction, a power of ten - and what to type instead."""

from __future__ import annotations

import re
import unicodedata

Slip = tuple[str, str, str]  # what came, what is allowed, what to do

# The first letters of months in English, German, French, Spanish, Italian, Dutch, Portuguese and Polish; from memory.
_MONTHS = (
    "jan ene gen sty feb fév fev lut mar mär maa mrt apr avr abr kwi may mai mag mei maj jun jui giu cze jul lug lip "
    "aug aoû aou ago sie sep set wrz oct okt ott out paź nov lis dec dez déc dic gru"
)
_MONTH = rf"(?:{'|'.join(_MONTHS.split())})[^\W\d_]{{0,9}}\.?"
_DATES = (
    re.compile(r"[0-9]{1,4}(?P<sign>[./-])[0-9]{1,2}(?P=sign)[0-9]{1,4}"),
    re.compile(rf"[0-9]{{1,2}}[-./ ]{_MONTH}(?:[-./ ][0-9]{{2,4}})?", re.IGNORECASE),
    re.compile(rf"{_MONTH}[-./ ][0-9]{{1,4}}", re.IGNORECASE),
)
_CLOCK = re.compile(r"[0-9]{1,2}:[0-9]{2}(?::[0-9]{2})?")
_ABOUT = re.compile(
    r"(?:[~≈∼≅≃]|(?:ca|approx|circa|etwa|env|about|around|roughly|c)\b\.?) *[+-]?[.,]?[0-9].*", re.IGNORECASE
)
_SPREAD = re.compile(r"[+-]?[0-9][^±]*?(?:±|\+ ?/ ?-|\+-).*")
_FRACTION = re.compile(r"(?:(?P<whole>[0-9]{1,6})[ +])?(?P<top>[0-9]{1,6})[/⁄](?P<under>[1-9][0-9]{0,5})")
_POWER = re.compile(
    r"(?:(?P<times>[0-9]+(?:[.,][0-9]+)?) ?[x×*·] ?)?10 ?(?:\^|\*\*) ?(?P<power>[+-]?[0-9]{1,3})", re.IGNORECASE
)
_RAISED = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻⁺", "0123456789-+")
_WIDE = str.maketrans("．，＜＞＝％－＋٫", ".,<>=%-+.")
DATE_MADE = "spreadsheets make one of 5.3, 5-3 or 5/3"
_AS_NUMBER = "format the cell as a number, then type the value again, with one decimal mark"


def slip_of(text: str) -> Slip | None:
    """What a tidied text that should be a number seems to be instead; None where nothing is known of it."""
    plain = _in_digits(text)
    if plain != text and plain.isascii():
        return f"{text!r}, in the digits of another script", "a number in the digits 0 to 9", f"write {plain}"
    if _CLOCK.fullmatch(text):
        return f"{text!r}, a time of day", "a number", _AS_NUMBER
    if any(date.fullmatch(text) for date in _DATES):
        return f"{text!r}, which looks like a date ({DATE_MADE})", "a number", _AS_NUMBER
    if _ABOUT.fullmatch(text):
        do = "write what was read; how sure it is goes into column note"
        return f"{text!r}, a number that is only about right", "a number, or two with 'to' between them", do
    if _SPREAD.fullmatch(text):
        do = "write each reading on a line of its own, or the mean alone; the spread goes into column note"
        return f"{text!r}, a number with its spread", "one number in a cell", do
    return _worked_out(text)


def _worked_out(text: str) -> Slip | None:
    """A fraction or a power of ten, with the number that it is."""
    parts = [unicodedata.numeric(sign) for sign in text if unicodedata.decomposition(sign).startswith("<fraction>")]
    whole = text[:-1].strip()
    if len(parts) == 1 and not text[-1].isdigit() and (not whole or (whole.isascii() and whole.isdecimal())):
        return f"{text!r}, a fraction", "a decimal number", f"write {float(whole or 0) + parts[0]:.6g}"
    if match := _FRACTION.fullmatch(text):
        value = float(match["whole"] or 0) + int(match["top"]) / int(match["under"])
        do = f"write the number that was read; as a fraction this is {value:.6g}"
        return f"{text!r}, a fraction, two numbers, or a date a spreadsheet made", "one number in a cell", do
    flat = re.sub(r"10([⁻⁺]?[⁰¹²³⁴⁵⁶⁷⁸⁹]+)$", r"10^\1", text).translate(_RAISED)
    if match := _POWER.fullmatch(flat):
        times = (match["times"] or "1").replace(",", ".")
        return f"{text!r}, a power of ten", "a number", f"write {times}e{int(match['power'])}"
    return None


def _in_digits(text: str) -> str:
    """The text with the decimal digits of any script (Unicode) as 0 to 9, and wide signs as narrow ones."""
    if text.isascii():
        return text
    return "".join(str(unicodedata.decimal(sign)) if sign.isdecimal() else sign for sign in text.translate(_WIDE))
