"""What a manual says of a meter, ``2 % + 3 digits``, made into the uncertainty of a reading."""

from __future__ import annotations

import math
import re
from decimal import Decimal

from whichcore.analysis.types import Reading, ReadingKind
from whichcore.errors import InputError
from whichcore.files.reading import parse_reading
from whichcore.files.units import Dimension, normalise, parse_quantity

_EXAMPLES = '"2 % + 3 digits", "1 % + 0.5 uH", "0.5 % of 200 uH + 2 digits"'
_NUMBER = r"\d+\.?\d*|\.\d+"
_SHOWN = re.compile(rf"\s*((?:{_NUMBER})(?:[eE][+-]?\d+)?)\s*(\S+)")
_DIGITS = re.compile(rf"({_NUMBER})\s*(?:digits?|counts?|dgt)", re.IGNORECASE)


def with_meter_accuracy(text: str, accuracy: str, *, where: str = "reading") -> str:
    """Return a reading with its standard uncertainty, as ``identify --reading`` takes it.

    The limits of a manual hold the truth evenly: a/√3 (JCGM 100:2008, 4.3.7; from memory).

    Parameters
    ----------
    text : str
        ``152.0 uH @ 10 kHz``, as many digits as the meter shows: the last one is what a digit is worth.
    accuracy : str
        Terms joined by +: a share of the reading, a share ``of`` the range, a number of digits, a value.
    where : str

    Raises
    ------
    InputError
        A reading that has an uncertainty already, or none that is no reading; an accuracy not understood, or
        as large as the reading.
    """
    reading = parse_reading(text, where=where)
    if not isinstance(reading, Reading):
        raise InputError(
            "only an inductance or |Z| at a frequency has a meter's accuracy here", where=where, got=text
        )
    if reading.standard_uncertainty is not None:
        raise InputError("the reading states its uncertainty already", where=where, got=text)
    value, _, rest = text.partition("@")
    shown = _SHOWN.match(normalise(value))
    if shown is None:  # pragma: no cover - it has been read as a reading
        raise AssertionError(value)
    dimension = Dimension.INDUCTANCE if reading.kind is ReadingKind.INDUCTANCE else Dimension.RESISTANCE
    unit = parse_quantity(f"1 {shown[2]}", dimension, where=where)
    digit = float(Decimal(1).scaleb(int(Decimal(shown[1]).as_tuple().exponent))) * unit
    size = reading.value
    half_width = math.fsum(_term(term, size, digit, dimension, where) for term in _terms(accuracy, where))
    u = half_width / math.sqrt(3)
    if not 0 < u < reading.value:
        raise InputError(
            "by this accuracy the reading says nothing",
            where=where,
            got=f"{text}, ± {half_width / unit:.3g} {shown[2]}",
            allowed="limits below the reading",
            next_step="choose a lower range of the meter, or more turns",
        )
    return f"{shown[1]} {shown[2]} ± {u / unit:.2g} {shown[2]} @{rest.rstrip()}"


def _terms(accuracy: str, where: str) -> list[str]:
    plain = normalise(accuracy).replace("±", "").replace("+/-", "").replace("(", "").replace(")", "")
    terms = [term.strip() for term in plain.split("+")]
    if not all(terms):
        raise InputError(
            "the accuracy of the meter cannot be read", where=where, got=accuracy, allowed=_EXAMPLES
        )
    return terms


def _term(term: str, value: float, digit: float, dimension: Dimension, where: str) -> float:
    if digits := _DIGITS.fullmatch(term):
        return float(digits[1]) * digit
    share, of, whole = (part.strip() for part in term.partition(" of "))
    try:
        if share.endswith("%"):
            # "of reading", "of value" say what is meant without it
            named = of and any(sign.isdigit() for sign in whole)
            return parse_quantity(share, Dimension.RATIO, where=where) * (
                parse_quantity(whole, dimension, where=where) if named else value
            )
        return parse_quantity(term, dimension, where=where)
    except InputError as error:
        raise InputError(
            "the accuracy of the meter cannot be read",
            where=where,
            got=f"{term}: {error.what}",
            allowed=_EXAMPLES,
        ) from None
