"""Values with units as they stand in files and on the command line, turned into SI numbers.

Powers of ten are applied in decimal arithmetic, so that "152 uH" gives exactly the number 152e-6.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from whichcore.errors import InputError

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"
_QUANTITY = re.compile(rf"({_NUMBER}) ?((?<= )1/.*|[^\d\s].*|)", re.ASCII)
_DECIMAL_COMMA = re.compile(r"([+-]?\d+(?:,\d+)+(?:\.\d+)?)\s*(.*)", re.ASCII)
_LETTER_FOR_POINT = re.compile(r"([+-]?\d+)([pnumkKMGR]|ohm)(\d+)\s*(.*)", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+(?:\.\d+)?", re.ASCII)
_LONGEST = 80


class Dimension(StrEnum):
    """What a value measures."""

    LENGTH = "length"
    AREA = "area"
    MASS = "mass"
    TIME = "time"
    FREQUENCY = "frequency"
    TEMPERATURE = "temperature"
    VOLTAGE = "voltage"
    CURRENT = "current"
    RESISTANCE = "resistance"
    INDUCTANCE = "inductance"
    CAPACITANCE = "capacitance"
    FLUX_DENSITY = "flux density"
    FIELD_STRENGTH = "field strength"
    RESISTIVITY = "resistivity"
    DENSITY = "density"
    INVERSE_LENGTH = "inverse length"
    INVERSE_VOLUME = "inverse volume"
    RATIO = "ratio"


@dataclass(frozen=True, slots=True)
class _Scale:
    """Units of a dimension with their factors to SI, the bounds that make sense, an example."""

    factors: dict[str, str]
    base: str
    low: float
    high: float
    example: str


_PREFIXES = {"p": "1e-12", "n": "1e-9", "u": "1e-6", "m": "1e-3", "": "1", "k": "1e3", "M": "1e6", "G": "1e9"}


def _prefixed(unit: str, prefixes: str) -> dict[str, str]:
    """Factors of a unit bare and with each of the prefixes."""
    return {f"{prefix}{unit}": _PREFIXES[prefix] for prefix in [*prefixes, ""]}


_LENGTHS = {"nm": "1e-9", "um": "1e-6", "mm": "1e-3", "cm": "1e-2", "m": "1", "in": "0.0254"}
_RESISTIVITIES = {
    **_prefixed("ohm m", "numkMG"),
    "uohm cm": "1e-8",
    "mohm cm": "1e-5",
    "ohm cm": "1e-2",
    "kohm cm": "10",
    "Mohm cm": "1e4",
}

_SCALES = {
    Dimension.LENGTH: _Scale(_LENGTHS, "m", 0.0, 100.0, "25.0 mm"),
    Dimension.AREA: _Scale({"mm2": "1e-6", "cm2": "1e-4", "m2": "1"}, "m2", 0.0, 1e4, "48.9 mm2"),
    Dimension.MASS: _Scale({"mg": "1e-6", "g": "1e-3", "kg": "1"}, "kg", 0.0, 1e3, "14.2 g"),
    Dimension.TIME: _Scale(
        {**_prefixed("s", "num"), "min": "60", "h": "3600", "d": "86400"}, "s", 0.0, 1e10, "48 h"
    ),
    Dimension.FREQUENCY: _Scale(_prefixed("Hz", "kMG"), "Hz", 0.0, 1e12, "10 kHz"),
    Dimension.TEMPERATURE: _Scale({"degC": "1", "K": "1"}, "degC", -273.15, 3000.0, "25 degC"),
    Dimension.VOLTAGE: _Scale(_prefixed("V", "numk"), "V", -1e5, 1e5, "100 mV"),
    Dimension.CURRENT: _Scale(_prefixed("A", "num"), "A", -1e5, 1e5, "10 mA"),
    Dimension.RESISTANCE: _Scale(_prefixed("ohm", "umkMG"), "ohm", 0.0, 1e15, "12 kohm"),
    Dimension.INDUCTANCE: _Scale(_prefixed("H", "pnum"), "H", 0.0, 1e4, "152 uH"),
    Dimension.CAPACITANCE: _Scale(_prefixed("F", "pnum"), "F", 0.0, 10.0, "5 pF"),
    Dimension.FLUX_DENSITY: _Scale(_prefixed("T", "num"), "T", 0.0, 10.0, "0.1 mT"),
    Dimension.FIELD_STRENGTH: _Scale(
        {"mA/m": "1e-3", "A/m": "1", "kA/m": "1e3", "A/cm": "100"}, "A/m", 0.0, 1e7, "15 A/m"
    ),
    Dimension.RESISTIVITY: _Scale(_RESISTIVITIES, "ohm m", 0.0, 1e20, "5 ohm m"),
    Dimension.DENSITY: _Scale(
        {"g/cm3": "1e3", "kg/dm3": "1e3", "kg/m3": "1"}, "kg/m3", 0.0, 1e5, "4.8 g/cm3"
    ),
    Dimension.INVERSE_LENGTH: _Scale(
        {"1/mm": "1e3", "1/cm": "1e2", "1/m": "1"}, "1/m", 0.0, 1e9, "1.23 1/mm"
    ),
    Dimension.INVERSE_VOLUME: _Scale(
        {"1/mm3": "1e9", "1/cm3": "1e6", "1/m3": "1"}, "1/m3", 0.0, 1e18, "0.0251 1/mm3"
    ),
    Dimension.RATIO: _Scale({"%": "1e-2", "ppm": "1e-6"}, "%", 0.0, 100.0, "25 %"),
}

#: Dimensions whose command-line options may carry a bare prefix; a bare "m" or "M" of a length says nothing.
_NEVER_BARE = {Dimension.LENGTH, Dimension.AREA, Dimension.INVERSE_LENGTH, Dimension.INVERSE_VOLUME}

_SPELLINGS = str.maketrans(
    {
        "\u00b5": "u",
        "\u03bc": "u",
        "\u2126": "ohm",
        "\u03a9": "ohm",
        "\u2212": "-",
        "\u00a0": " ",
        "\u202f": " ",
    }
    | {"\u00b2": "2", "\u00b3": "3", "\u2103": "degC", "\u00b0": "deg", "\u00b7": " ", "\u22c5": " "}
)


def normalise(text: str) -> str:
    """Return the text with equal spellings made one: µ and μ as u, Ω and Ohm as ohm, ° as deg, ³ as 3."""
    plain = text.translate(_SPELLINGS).replace("Ohm", "ohm").replace("^", "")
    plain = re.sub(r"(?<=[A-Za-z])[*.](?=[A-Za-z])", " ", plain)
    return " ".join(plain.replace("deg C", "degC").split())


def parse_quantity(text: object, dimension: Dimension | str, *, where: str = "") -> float:
    """Turn a value with its unit into an SI number.

    Parameters
    ----------
    text : object
        What stands in the file; only a string is accepted.
    dimension : Dimension or str
        What it must measure.
    where : str
        Place, for the error.

    Returns
    -------
    float
        SI; temperatures in °C, ratios as a plain number ("25 %" is 0.25).

    Raises
    ------
    InputError
        No string, no unit, a unit of something else, "4k7", a decimal comma, NaN, infinity, or a value
        that cannot be (a negative length, 1e300 Hz).
    """
    kind = Dimension(dimension)
    scale = _SCALES[kind]
    if not isinstance(text, str):
        raise _not_a_string(text, scale, where)
    plain = normalise(text)
    match = _QUANTITY.fullmatch(plain) if len(plain) <= _LONGEST else None
    if match is None or (match[2] not in scale.factors and _misspelt(plain)):
        raise _not_a_number(text, plain, kind, where)
    number, unit = match[1], match[2]
    if unit not in scale.factors:
        raise _wrong_unit(text, number, unit, kind, where)
    value = float(Decimal(number) * Decimal(scale.factors[unit]))
    if unit == "K":
        value = float(Decimal(number) - Decimal("273.15"))
    return _within(value, text, kind, where)


def parse_prefixed(text: str, dimension: Dimension | str, *, where: str = "") -> float:
    """Turn the value of a command-line option into an SI number; the unit may be left out.

    Parameters
    ----------
    text : str
        "1k", "3M", "1000", "10 kHz".
    dimension : Dimension or str
        The one dimension the option has; a bare prefix or number is refused for lengths.
    where : str
        Name of the option, for the error.

    Returns
    -------
    float
        SI.

    Raises
    ------
    InputError
        As :func:`parse_quantity`.
    """
    kind = Dimension(dimension)
    match = re.fullmatch(rf"({_NUMBER})\s*([pnumkKMG]?)", normalise(text), re.ASCII)
    # no unit at all is the only thing this adds; "3 m" of a length is three metres, as ever
    if match is None or kind in _NEVER_BARE or match[2] in _SCALES[kind].factors:
        return parse_quantity(text, kind, where=where)
    joint = "" if _SCALES[kind].base == "%" else " "
    return parse_quantity(f"{match[1]}{joint}{match[2]}{_SCALES[kind].base}", kind, where=where)


def units_of(dimension: Dimension | str) -> tuple[str, ...]:
    """Return every unit accepted for a dimension, smallest first."""
    factors = _SCALES[Dimension(dimension)].factors
    return tuple(sorted(factors, key=lambda unit: Decimal(factors[unit])))


def example_of(dimension: Dimension | str) -> str:
    """Return a well-formed value of a dimension, to be shown in errors."""
    return _SCALES[Dimension(dimension)].example


def _within(value: float, text: str, kind: Dimension, where: str) -> float:
    scale = _SCALES[kind]
    if kind is Dimension.FREQUENCY and value <= 0:
        raise InputError("a frequency must be positive", where=where, got=text, allowed="> 0 Hz")
    if not math.isfinite(value) or not scale.low <= value <= scale.high:
        unit = "" if scale.base == "%" else f" {scale.base}"
        raise InputError(
            f"this {kind.value} cannot be",
            where=where,
            got=text,
            allowed=f"{scale.low:g} to {scale.high:g}{unit}",
            next_step="check the number, its sign and its unit",
        )
    return value


def _not_a_string(value: object, scale: _Scale, where: str) -> InputError:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return InputError(
            "a value with its unit in quotes was expected",
            where=where,
            got=str(value),
            allowed=f'"{scale.example}"',
        )
    unit = scale.example.split(" ", 1)[1]
    return InputError(
        "a bare number has no unit",
        where=where,
        got=f"{value}",
        allowed=f'a string such as "{scale.example}"',
        next_step=f'write "{value} {unit}" if {unit} is meant',
    )


def _misspelt(plain: str) -> bool:
    return bool(_DECIMAL_COMMA.fullmatch(plain) or _LETTER_FOR_POINT.fullmatch(plain))


def _not_a_number(text: str, plain: str, kind: Dimension, where: str) -> InputError:
    scale = _SCALES[kind]
    if comma := _DECIMAL_COMMA.fullmatch(plain):
        rest = comma[2] or scale.example.split(" ", 1)[1]
        spellings = [f"{comma[1].replace(',', '.')} {rest}"] if comma[1].count(",") == 1 else []
        if _THOUSANDS.fullmatch(comma[1]):
            spellings.append(f"{comma[1].replace(',', '')} {rest}")
        right = " or ".join(f'"{spelling}"' for spelling in spellings)
        return InputError(
            "the decimal sign is a point, not a comma",
            where=where,
            got=text,
            allowed=right or f'"{scale.example}"',
            next_step=f"write {right}" if right else "",
        )
    if letter := _LETTER_FOR_POINT.fullmatch(plain):
        prefix = {"K": "k", "R": "", "ohm": ""}.get(letter[2], letter[2])
        units = [letter[4] and f"{prefix}{letter[4]}", letter[4], letter[2], f"{prefix}{scale.base}"]
        unit = next((name for name in units if name in scale.factors), scale.base)
        right = f'"{letter[1]}.{letter[3]} {unit}"'
        return InputError(
            "a letter cannot stand for the decimal point",
            where=where,
            got=text,
            allowed=right,
            next_step=f"write {right}",
        )
    got = text if len(text) <= _LONGEST else f"{text[:_LONGEST]}…"
    return InputError(
        f"this is no {kind.value} with a unit",
        where=where,
        got=got,
        allowed=f'such as "{scale.example}"',
        next_step=f'write it like "{scale.example}"',
    )


def _wrong_unit(text: str, number: str, unit: str, kind: Dimension, where: str) -> InputError:
    scale = _SCALES[kind]
    if not unit:
        what, others = "the unit is missing", [scale.example.split(" ", 1)[1]]
    else:
        what = f"{unit} is no unit of {kind.value} known here"
        folded = unit.lower().removeprefix("deg")
        others = [name for name in units_of(kind) if name.lower().removeprefix("deg") == folded]
        what += "; upper and lower case matter" if others else ""
        for other_kind, other in _SCALES.items():
            if unit in other.factors and not others:
                what = f"{unit} is a unit of {other_kind.value}, not of {kind.value}"
    right = " or ".join(f'"{number} {name}"' for name in others)
    return InputError(
        what,
        where=where,
        got=text,
        allowed=", ".join(units_of(kind)),
        next_step=f"write {right}" if right else f'write it like "{scale.example}"',
    )
