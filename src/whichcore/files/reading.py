"""The syntax of one reading off a meter: ``152 uH ± 3 uH @ 10 kHz, 45 degC``, ``> 20 Mohm``."""

from __future__ import annotations

import re

from whichcore.analysis.types import Reading, ReadingKind, Resistance
from whichcore.errors import InputError
from whichcore.files.units import Dimension, normalise, parse_quantity

_EXAMPLE = '"152 uH @ 10 kHz", "152 uH ± 3 uH @ 10 kHz", "> 20 Mohm"'
_CONDITIONS = '"152 uH @ 10 kHz, 45 degC", "152 uH @ 10 kHz, 2 mT"'
#: A comma behind a unit begins a condition; one between digits is a decimal comma, which is refused.
_AFTER_UNIT = re.compile(r"(?<=[A-Za-z])\s*,")
_PLUS_MINUS = re.compile(r"±|\+/-|\+-")


def parse_reading(text: str, *, where: str = "reading") -> Reading | Resistance:
    """Turn one reading into data.

    Parameters
    ----------
    text : str
        Value, optionally ``± u`` (also ``+/- u``; u is one standard uncertainty, with a unit or in %), then
        ``@`` and the frequency; after it, each behind a comma, the temperature of the core (``45 degC``) and
        the peak flux density (``2 mT``) where they matter. A resistance without frequency is a
        plain (dc) resistance; ``>`` before it means that the meter ran over its range.
    where : str
        Place, for the error.

    Returns
    -------
    Reading or Resistance
        SI. H makes it an inductance, ohm with a frequency a magnitude of impedance.

    Raises
    ------
    InputError
        Another unit, no frequency for an inductance, a value that is not positive, or not this syntax.
    """
    if not text.strip():
        raise InputError(
            "the reading is empty", where=where, allowed=_EXAMPLE, next_step="type what the meter shows"
        )
    kind = _kind(text)
    if text.lstrip().startswith(">") and "@" in text:
        raise InputError(
            "a meter over its range says nothing of a wound core",
            where=where,
            got=text,
            allowed=_EXAMPLE,
            next_step="leave the reading out, or measure in a higher range",
        )
    dc = "@" not in text and kind is ReadingKind.IMPEDANCE_MAGNITUDE
    if dc or text.lstrip().startswith(">"):
        return parse_resistance(text, where=where)
    parts = text.split("@")
    if len(parts) != 2 or kind is None:
        raise InputError(
            "a reading is a value in H or ohm, @ and its frequency",
            where=where,
            got=text,
            allowed=_EXAMPLE,
            next_step=f'write "{text.strip()} @ 10 kHz" if the meter measures at 10 kHz'
            if len(parts) == 1 and kind
            else "write value, unit, @ and the frequency at which the meter measures",
        )
    value, uncertainty = _value_and_uncertainty(parts[0], kind, text, where)
    frequency, *conditions = _AFTER_UNIT.split(parts[1])
    return Reading(
        kind=kind,
        value=value,
        frequency_hz=parse_quantity(frequency, Dimension.FREQUENCY, where=where),
        standard_uncertainty=uncertainty,
        **_conditions(conditions, text, where),
    )


def _conditions(parts: list[str], text: str, where: str) -> dict[str, float]:
    """Read temperature and level, told by their units, each at most once."""
    found: dict[str, float] = {}
    for part in parts:
        level = normalise(part).endswith("T")
        name = "flux_density_t" if level else "temperature_c"
        value = parse_quantity(part, Dimension.FLUX_DENSITY if level else Dimension.TEMPERATURE, where=where)
        if name in found or (level and value <= 0):
            raise InputError(
                "after the frequency stand at most one temperature and one flux density above zero",
                where=where,
                got=text,
                allowed=_CONDITIONS,
                next_step="leave out what stands twice, or give it as a reading of its own",
            )
        found[name] = value
    return found


def parse_resistance(text: object, *, where: str = "") -> Resistance:
    """Turn ``"12 kohm"`` or ``"> 20 Mohm"`` (more than the meter can show) into data.

    Raises
    ------
    InputError
        Not a positive resistance with its unit.
    """
    over_range = isinstance(text, str) and text.lstrip().startswith(">")
    bare = text.lstrip().removeprefix(">") if isinstance(text, str) else text
    value = parse_quantity(bare, Dimension.RESISTANCE, where=where)
    if value <= 0:
        raise InputError(
            "a resistance between two points of a surface is positive",
            where=where,
            got=str(text),
            allowed='> 0 ohm; over range is written "> 20 Mohm"',
            next_step="type what the meter shows with its unit, or leave it out",
        )
    return Resistance(value_ohm=value, over_range=over_range)


def _kind(text: str) -> ReadingKind | None:
    """Tell from the end of the value what was read; the unit itself is judged when it is parsed."""
    value = normalise(_PLUS_MINUS.split(text.split("@", maxsplit=1)[0])[0]).lower()
    if value.endswith("ohm"):
        return ReadingKind.IMPEDANCE_MAGNITUDE
    return ReadingKind.INDUCTANCE if value.endswith("h") else None


def _value_and_uncertainty(part: str, kind: ReadingKind, text: str, where: str) -> tuple[float, float | None]:
    dimension = Dimension.INDUCTANCE if kind is ReadingKind.INDUCTANCE else Dimension.RESISTANCE
    pieces = _PLUS_MINUS.split(part)
    value = parse_quantity(pieces[0], dimension, where=where)
    if value <= 0 or len(pieces) > 2:
        raise InputError(
            "a reading is one positive value with at most one ±",
            where=where,
            got=text,
            allowed=_EXAMPLE,
            next_step="type what the meter shows with its unit",
        )
    if len(pieces) == 1:
        return value, None
    if pieces[1].strip().endswith("%"):
        uncertainty = value * parse_quantity(pieces[1], Dimension.RATIO, where=where)
    else:
        uncertainty = parse_quantity(pieces[1], dimension, where=where)
    if not 0 < uncertainty < value:
        raise InputError(
            "the standard uncertainty of a reading is positive and smaller than its value",
            where=where,
            got=text,
            allowed="0 < u < value",
            next_step="check number and unit behind the ±, or leave them out",
        )
    return value, uncertainty
