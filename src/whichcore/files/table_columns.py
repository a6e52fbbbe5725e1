"""Recognising the columns of a data-sheet table by the many ways their names are written."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from whichcore.errors import InputError

_FREQUENCY_UNITS = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}


class Role(StrEnum):
    """What a column of a table holds."""

    FREQUENCY = "frequency"
    MU_REAL = "mu_real"
    MU_IMAG = "mu_imag"
    TAN_DELTA = "tan_delta"
    RELATIVE_LOSS = "tan_delta_over_mu"
    SKIP = "skip"


LOSS_ROLES = (Role.MU_IMAG, Role.TAN_DELTA, Role.RELATIVE_LOSS)


@dataclass(frozen=True, slots=True)
class Column:
    """One recognised column.

    Attributes
    ----------
    role : Role
    factor : float or None
        Multiplies the number to give Hz or a plain number; None for a frequency whose unit is not stated.
    """

    role: Role
    factor: float | None


def column_of(header: str) -> Column | None:
    """Recognise one column by its name.

    Parameters
    ----------
    header : str
        Such as ``f [kHz]``, ``µ'``, ``mu_imag``, ``tan δ``, ``tan δ/µi (10^-6)``.

    Returns
    -------
    Column or None
        None when the name is not among the usual spellings.
    """
    text = _plain(header)
    if (frequency := _frequency_column(text)) is not None:
        # millihertz is hardly meant, but that is for the user to say
        return Column(Role.FREQUENCY, None) if "mHz" in header else frequency
    scale = re.search(r"(?:10|1)(?:\^|\*\*|e)?-0?6|ppm", text)
    name = re.sub(r"[\s_.()\[\]{},:]|(?:x|\*|·)?(?:(?:10|1)(?:\^|\*\*|e)?-0?6|ppm)", "", text)
    name = name.removesuffix("/-").removesuffix("-").removesuffix("/1").removesuffix("/")
    role = _role(name)
    return None if role is None else Column(role, 1e-6 if scale else 1.0)


def frequency_factor(unit: str) -> float:
    """Return the factor to Hz of a frequency unit given by the user.

    Raises
    ------
    InputError
        Not one of Hz, kHz, MHz, GHz.
    """
    if unit.lower() not in _FREQUENCY_UNITS or unit.startswith("m"):
        raise InputError(
            "unknown unit of frequency", where="frequency_unit", got=unit, allowed="Hz, kHz, MHz, GHz"
        )
    return _FREQUENCY_UNITS[unit.lower()]


_SPELLINGS = str.maketrans(
    {"µ": "mu", "μ": "mu", "δ": "delta", "Δ": "delta", "′": "'", "’": "'", "´": "'", "`": "'", "‘": "'"}
    | {"″": "''", "”": "''", "“": "''", '"': "''", "⁻": "-", "−": "-", "⁶": "6", "×": "x", "·": "*"}
)


def _plain(header: str) -> str:
    return " ".join(header.translate(_SPELLINGS).lower().split())


_UNIT = "(hz|khz|mhz|ghz)"
_FREQUENCY = re.compile(
    r"(?:f|fr|freq|frequency|frequenz|fréquence)\.?[\s_]*"
    rf"(?:(?:in|/|\(|\[)?\s*{_UNIT}\s*[\)\]]?)?"
)
_UNIT_ALONE = re.compile(rf"[\(\[]?{_UNIT}[\)\]]?")


def _frequency_column(text: str) -> Column | None:
    if match := _FREQUENCY.fullmatch(text) or _UNIT_ALONE.fullmatch(text):
        return Column(Role.FREQUENCY, _FREQUENCY_UNITS[match[1]] if match[1] else None)
    return None


_MU = r"mu(?:r|s|rs|i)?"
_ROLES = (
    (
        Role.RELATIVE_LOSS,
        rf"tan(?:d|delta)/{_MU}|relativelossfactor|relativelossfactortan(?:d|delta)/{_MU}",
    ),
    (Role.TAN_DELTA, r"tan(?:d|delta)(?:m|mu)?|losstangent|losstan"),
    (
        Role.MU_IMAG,
        rf"{_MU}''(?:r|s)?|{_MU}(?:imag|imaginary|im|2|doubleprime|loss)|im{_MU}|imag|imaginary|imaginarypart",
    ),
    (Role.MU_REAL, rf"{_MU}'(?:r|s)?|{_MU}(?:real|re|1|prime)|re{_MU}|{_MU}|real|realpart|permeability"),
)


def _role(name: str) -> Role | None:
    for role, pattern in _ROLES:
        if re.fullmatch(pattern, name):
            return role
    return None
