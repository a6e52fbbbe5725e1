"""How numbers are said: probabilities in words, values with their uncertainty, SI prefixes, lists."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from functools import cache
from importlib.resources import files

#: Spaces within a number with its comparison, its uncertainty, its unit.
_BONDS = re.compile(
    r"(?<=[<>≤≥±×≈]) (?=[\d.−])"
    r"|(?<=\d) (?=[%‰±°]|\d{3}\b|[fpnµμmkMG]?(?:Hz|Ω|F|H|T|V|A|m|W|s|K|g|ohm)\b|dB\b)"
)
_PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}


@cache
def _words() -> tuple[tuple[float, str], ...]:
    text = files("whichcore").joinpath("probability_words.csv").read_text(encoding="utf-8")
    return tuple((float(row["at_least"]), row["words"]) for row in csv.DictReader(text.splitlines()))


def certainty(probability: float) -> str:
    """Return a probability in words, by the thresholds of ``probability_words.csv``."""
    return next(words for least, words in _words() if probability >= least)


def percent(probability: float) -> str:
    """Return a probability as a person reads it; never as certainty, which no measurement gives."""
    if probability < 0.001:
        return "< 0.1 %"
    if probability > 0.999:
        return "> 99.9 %"
    return (
        f"{100 * probability:.1f} %"
        if probability < 0.1 or probability > 0.99
        else f"{100 * probability:.0f} %"
    )


def with_uncertainty(value: float, uncertainty: float) -> str:
    """Return ``value ± u`` with two significant digits of u (JCGM 100:2008, 7.2.6) and the value as fine.

    Parameters
    ----------
    value, uncertainty : float
        In the same unit; the standard uncertainty is positive, else the value stands alone.
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return f"{value:.4g} (uncertainty not known)"
    exponent = math.floor(math.log10(uncertainty)) - 1
    if round(uncertainty / 10.0**exponent) >= 100:
        exponent += 1
    return " ± ".join(_to_step(number, exponent) for number in (value, uncertainty)).replace("-", "−")


def _to_step(number: float, exponent: int) -> str:
    # the shortest decimal of the number, so that a half is a half and not its binary neighbour
    steps = Decimal(repr(float(number))).scaleb(-exponent).to_integral_value(ROUND_HALF_EVEN)
    return format((steps + 0).scaleb(exponent), "f")  # adding 0 takes the sign off a zero


def quantity(value: float, unit: str, digits: int = 3) -> str:
    """Return a value with its unit and the prefix that keeps it between 1 and 1000."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g} {unit}"
    rounded = float(f"{value:.{digits}g}")
    power = min(max(3 * math.floor(math.log10(abs(rounded)) / 3 + 1e-12), -15), 9)
    # it has its digits already: three places before the point are no power of ten
    return f"{rounded / 10.0**power:.{max(digits, 3)}g} {_PREFIXES[power]}{unit}"


def hertz(frequency_hz: float, digits: int = 3) -> str:
    """Return a frequency with the prefix that keeps it between 1 and 1000: ``1.8 MHz``."""
    return quantity(frequency_hz, "Hz", digits)


def plain(value: float, digits: int = 3) -> str:
    """Return a number rounded to so many digits and written out: 130, 0.0012, 510 million; no exponent."""
    if value < 0:
        return f"−{plain(-value, digits)}"
    if value >= 1e12:
        return "more than a million million"
    if 0 < value < 1e-6:
        return "less than 0.000001"
    rounded = float(f"{value:.{digits}g}")
    if rounded >= 1e6:
        return f"{plain(rounded / 1e6, digits)} million"
    text = f"{rounded:.{digits + 6}f}"
    return text.rstrip("0").rstrip(".")


def in_percent(ratio: float, digits: int = 2) -> str:
    """Return a ratio in percent."""
    return f"{plain(100 * ratio, digits)} %"


def count_of(number: int, one: str, several: str = "") -> str:
    """Return a number with its noun: ``1 group``, ``2 groups``."""
    return f"{number} {one if number == 1 else several or f'{one}s'}"


def bound(text: str, joint: str = "\u00a0") -> str:
    """Return a text whose numbers cannot be parted from their sign, unit or thousands where it is wrapped."""
    return _BONDS.sub(joint, text)


def measured(value: float, uncertainty: float, unit: str) -> str:
    """Return ``value ± u`` with the unit, and the prefix that keeps the value between 1 and 1000.

    A number without a unit, and an angle, take no prefix.
    """
    power = _power(value, unit)
    scale = 10.0**power
    return f"{with_uncertainty(value / scale, uncertainty / scale)} {_PREFIXES[power]}{unit}".rstrip()


def fixed(value: float, places: int, *, signed: bool = False) -> str:
    """Return a value with so many places: a true minus, a plus where ``signed``, no sign before a zero."""
    text = f"{value:{'+' if signed else ''}z.{places}f}"
    zero = math.isfinite(value) and not text.strip("+0.")
    return text.lstrip("+") if zero else text.replace("-", "−")


def finely(value: float, half_width: float, unit: str) -> str:
    """Return an end of an interval as fine as three significant digits of the half width."""
    power = _power(value, unit)
    width = half_width / 10.0**power
    places = 2 - math.floor(math.log10(width)) if math.isfinite(width) and width > 0 else 3
    number = fixed(value / 10.0**power, min(max(places, 0), 12))
    return f"{number} {_PREFIXES[power]}{unit}".rstrip()


def _power(value: float, unit: str) -> int:
    if unit in {"", "°"} or not math.isfinite(value) or value == 0:
        return 0
    return min(max(3 * math.floor(math.log10(abs(value)) / 3 + 1e-12), -15), 9)


def amount(value: float, unit: str, digits: int = 3) -> str:
    """Return a size with its unit; with a prefix where the unit takes one."""
    if unit not in {"", "°"}:
        return quantity(value, unit, digits)
    if value == 0 or not math.isfinite(value):
        return f"{value:g} {unit}".rstrip()
    rounded = float(f"{value:.{digits}g}")
    return f"{_to_step(rounded, math.floor(math.log10(abs(rounded))) + 1 - digits)} {unit}".rstrip()


def listed(items: Sequence[str], joint: str = "or") -> str:
    """Return a list as a sentence has it: ``a``, ``a or b``, ``a, b or c``."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {joint} {items[-1]}"


def printable(text: str) -> str:
    """Return text without control characters and marks that turn it about: a name cannot steer a page."""
    return "".join(sign if sign.isprintable() or sign == "\n" else "\ufffd" for sign in text)
