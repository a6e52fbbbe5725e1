"""What is typed of a reading off a screen: ``5.2 div pp``, ``1.20 Vpp ± 1 %``, ``1.3 div``, ``35 deg``."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from whichcore.analysis.by_hand import READING_ERROR_DIVISIONS, eye_uncertainty
from whichcore.errors import InputError
from whichcore.files.units import Dimension, normalise, parse_quantity

_PLUS_MINUS = re.compile(r"±|\+/-|\+-")
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"
_HEIGHT = re.compile(rf"({_NUMBER})\s*([um]?V|div)\s*(pp|pk|rms|)", re.ASCII)
_TO_PEAK = {"pp": 0.5, "pk": 1.0, "rms": math.sqrt(2)}
_HEIGHTS = '"5.2 div pp", "1.20 Vpp", "0.60 Vpk", "0.42 Vrms ± 1 %"'
_SHIFTS = '"1.3 div", "2.6 us", "35 deg ± 2 deg"'


@dataclass(frozen=True, slots=True)
class Eye:
    """How well the eye reads, half-width in divisions."""

    divisions: float = READING_ERROR_DIVISIONS


def parse_height(text: str, scale: str, eye: Eye, *, where: str) -> tuple[float, float]:
    """Return a peak value with its standard uncertainty, V.

    Parameters
    ----------
    text : str
        With ``pp``, ``pk`` or ``rms``; in volts, or in divisions of ``scale``.
    scale : str
        Volts per division, may be empty.
    eye : Eye
    where : str

    Raises
    ------
    InputError
        Neither pp, pk nor rms is said; divisions without a scale; nothing says how well it was read.
    """
    value, stated = _parts(text, where, _HEIGHTS)
    match = _HEIGHT.fullmatch(normalise(value))
    if match is None or not match[3]:
        raise InputError(
            "a voltage read off a screen says pp, pk or rms" if match else "this is no height on a screen",
            where=where,
            got=text,
            allowed=_HEIGHTS,
        )
    per_division = _scale(scale, Dimension.VOLTAGE, f"{where}_scale")
    number, to_peak = float(match[1]), _TO_PEAK[match[3]]
    if match[2] == "div":
        if per_division is None:
            raise _needs_scale(text, where, "volts")
        volts = number * per_division
    else:
        volts = parse_quantity(f"{match[1]} {match[2]}", Dimension.VOLTAGE, where=where)
    if volts <= 0:
        raise InputError("a height on a screen is positive", where=where, got=text, allowed="> 0")
    if stated:
        u = _stated(stated, value, volts, where, lambda part: parse_height(part, scale, eye, where=where)[0])
        return volts * to_peak, u
    if per_division is None or match[3] == "rms":
        raise _how_well(text, where, "volts")
    return volts * to_peak, eye_uncertainty(per_division, eye.divisions) * to_peak


def parse_shift(text: str, scale: str, frequency_hz: float, eye: Eye, *, where: str) -> tuple[float, float]:
    """Return an angle with its standard uncertainty, rad, from divisions, a time or degrees.

    Raises
    ------
    InputError
        More than half a turn, divisions without a scale, nothing says how well it was read.
    """
    value, stated = _parts(text, where, _SHIFTS)
    plain, per_division = (
        normalise(value),
        _scale(scale, Dimension.TIME, f"{where.removesuffix('shift')}time_scale"),
    )
    turn = 2 * math.pi * frequency_hz
    angle = _angle(plain, per_division, turn, text, where)
    if abs(angle) > math.pi * (1 + 1e-9):
        raise InputError(
            "the shift is more than half a period",
            where=where,
            got=f"{text}, {math.degrees(angle):z.0f}° at {frequency_hz:g} Hz",
            allowed="up to 180°",
            next_step="read from a crossing to the nearest like one; check time base and frequency",
        )
    if stated:
        return angle, _stated(
            stated, value, angle, where, lambda part: _angle(normalise(part), per_division, turn, text, where)
        )
    if per_division is None or plain.endswith("deg"):
        raise _how_well(text, where, "time")
    return angle, eye_uncertainty(per_division, eye.divisions) * turn


def _angle(plain: str, per_division: float | None, turn: float, text: str, where: str) -> float:
    sign = -1.0 if plain.startswith("-") else 1.0
    bare = plain.lstrip("+-")
    if degrees := re.fullmatch(rf"({_NUMBER})\s*deg", bare, re.ASCII):
        return sign * math.radians(float(degrees[1]))
    if divisions := re.fullmatch(rf"({_NUMBER})\s*div", bare, re.ASCII):
        if per_division is None:
            raise _needs_scale(text, where, "time")
        return sign * float(divisions[1]) * per_division * turn
    try:
        return sign * parse_quantity(bare, Dimension.TIME, where=where) * turn
    except InputError as error:
        raise InputError(error.what, where=where, got=text, allowed=_SHIFTS) from None


def _parts(text: str, where: str, examples: str) -> tuple[str, str]:
    pieces = [piece.strip() for piece in _PLUS_MINUS.split(text)]
    if not pieces[0] or len(pieces) > 2 or (len(pieces) == 2 and not pieces[1]):
        raise InputError("a value with at most one ± was expected", where=where, got=text, allowed=examples)
    return pieces[0], pieces[1] if len(pieces) == 2 else ""


def _scale(text: str, dimension: Dimension, where: str) -> float | None:
    if not text.strip():
        return None
    value = parse_quantity(re.sub(r"\s*/\s*div$", "", text.strip()), dimension, where=where)
    if value <= 0:
        raise InputError("a scale is positive", where=where, got=text, allowed="> 0")
    return value


def _stated(text: str, value: str, size: float, where: str, parse: Callable[[str], float]) -> float:
    """Return a standard uncertainty said with the value: a share of it, or in its unit."""
    if text.endswith("%"):
        u = abs(size) * parse_quantity(text, Dimension.RATIO, where=where)
        height = _HEIGHT.fullmatch(normalise(value))
        u *= _TO_PEAK[height[3]] if height else 1.0
    else:
        bare = f"{text} ± 1 %" if _HEIGHT.fullmatch(normalise(value)) else text
        u = abs(parse(bare))
    if u <= 0:
        raise InputError("a standard uncertainty is positive", where=where, got=text, allowed="> 0")
    return u


def _needs_scale(text: str, where: str, what: str) -> InputError:
    return InputError(
        f"a reading in divisions needs the {what} per division",
        where=where,
        got=text,
        next_step="fill in the column a_scale or b_scale" if what == "volts" else "fill in time_scale",
    )


def _how_well(text: str, where: str, what: str) -> InputError:
    return InputError(
        "nothing says how well this was read",
        where=where,
        got=text,
        allowed=f'its standard uncertainty ("{text} ± 2 %"), or the {what} per division of a reading by eye',
        next_step=f'write "{text} ± …", or fill in the scale of the screen',
    )
