"""Checking the table of one core, as cores.toml has them, before a circuit is made of it.

A wrong value is refused with its place; what passes here makes a passive circuit.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from whichcore.errors import InputError

#: What each row of a list holds.
TERMS = {
    "relaxations": ("chi", "Hz"),
    "walls": ("chi", "Hz", "Q"),
    "spins": ("K", "Hz", "alpha"),
    "tapes_um_uohm_m": ("chi", "um", "uohm m"),
}
BRANCH = ("S/m", "Hz")
RING = ("outer_mm", "inner_mm", "height_mm")
CONSTANTS = ("c1_per_mm", "c2_per_mm3", "turn_mm")
KEYS = ("title", "body", "card", *TERMS, "section", "gap_um", "behaviour", "fit")


@dataclass(frozen=True, slots=True)
class _Rule:
    """Which numbers are allowed."""

    text: str
    holds: Callable[[float], bool]


MOST = 1e15  # beyond every value of the parts, and far from where arithmetic overflows
ABOVE_ZERO = _Rule("above 0, up to 1e15", lambda v: 1 / MOST <= v <= MOST)
NOT_BELOW_ZERO = _Rule("0 to 1e15", lambda v: 0 <= v <= MOST)
SHARE = _Rule("above 0, up to 1", lambda v: 1 / MOST <= v <= 1)
ANY = _Rule("-1e15 to 1e15", lambda v: -MOST <= v <= MOST)

BODY = {
    **dict.fromkeys((*RING, *CONSTANTS), ABOVE_ZERO),
    "coat_mm": NOT_BELOW_ZERO,
    "filling": SHARE,
}
SECTION = dict.fromkeys(("half_mm", "conductivity_s_per_m", "permittivity"), ABOVE_ZERO)
BEHAVIOUR = {
    "rayleigh_per_t": NOT_BELOW_ZERO,
    "saturation_t": ABOVE_ZERO,
    "remanence_t": NOT_BELOW_ZERO,
    "coercive_a_per_m": ABOVE_ZERO,
    "temperature_per_k": ANY,
    "ageing_per_decade": ANY,
}
FIT = {"residual": NOT_BELOW_ZERO, "low_hz": ABOVE_ZERO, "high_hz": ABOVE_ZERO}


def check_core(table: object, where: str) -> dict[str, Any]:
    """Return the table of one core if it is one.

    Parameters
    ----------
    table : object
        As tomllib gives it.
    where : str
        Its place, for errors: file and id.

    Raises
    ------
    InputError
        An unknown or missing key, or a value that makes no core.
    """
    whole = _table(table, where)
    _known(whole, KEYS, where)
    for key in ("title", "body", "card"):
        if key not in whole:
            raise InputError("a core needs this", where=f"{where}.{key}", allowed="title, body, card")
    if not isinstance(whole["title"], str):
        raise _wrong("a text was expected", f"{where}.title", whole["title"], "text in quotes")
    _check_body(_table(whole["body"], f"{where}.body"), f"{where}.body")
    _check_card(_table(whole["card"], f"{where}.card"), f"{where}.card")
    for key, names in TERMS.items():
        _check_rows(whole.get(key, []), names, f"{where}.{key}")
    if "section" in whole:
        _check_section(_table(whole["section"], f"{where}.section"), f"{where}.section")
    _check_number(whole.get("gap_um", 0.0), NOT_BELOW_ZERO, f"{where}.gap_um")
    for key, rules in (("behaviour", BEHAVIOUR), ("fit", FIT)):
        _check_numbers(_table(whole.get(key, {}), f"{where}.{key}"), rules, f"{where}.{key}")
    return dict(whole)


def _check_body(body: Mapping[str, Any], where: str) -> None:
    _check_numbers(body, BODY, where)
    needed = CONSTANTS if any(key in body for key in CONSTANTS) else RING
    missing = [key for key in needed if key not in body]
    mixed = [key for key in body if needed is CONSTANTS and key not in CONSTANTS]
    if missing or mixed:
        allowed = f"{', '.join(RING)} of a ring (and coat_mm, filling), or {', '.join(CONSTANTS)}"
        raise InputError("this is no body", where=where, got=", ".join(body) or "nothing", allowed=allowed)
    if needed is RING:
        coat = body.get("coat_mm", 0.0)
        if body["outer_mm"] - body["inner_mm"] <= 4 * coat or body["height_mm"] <= 2 * coat:
            got = f"{body['outer_mm']}, {body['inner_mm']}, {body['height_mm']}, coat {coat}"
            raise InputError(
                "nothing is left of the ring", where=where, got=got, allowed="outer above inner, a thin coat"
            )


def _check_card(card: Mapping[str, Any], where: str) -> None:
    if not card:
        raise InputError("the card is empty", where=where, allowed="the keys of a specimen's [core] table")
    for key, value in card.items():
        if not isinstance(value, str):
            _check_number(value, ANY, f"{where}.{key}")
        elif any(sign in value for sign in '"\\\n\r'):
            raise _wrong(
                "this cannot stand on a card", f"{where}.{key}", value, "text without quotes, one line"
            )


def _check_section(section: Mapping[str, Any], where: str) -> None:
    _check_numbers({k: v for k, v in section.items() if k != "branches"}, SECTION, where)
    missing = [key for key in SECTION if key not in section]
    if missing:
        raise InputError("a section needs this", where=f"{where}.{missing[0]}", allowed=", ".join(SECTION))
    _check_rows(section.get("branches", []), BRANCH, f"{where}.branches")


def _check_rows(rows: object, names: tuple[str, ...], where: str) -> None:
    allowed = f"[[{', '.join(names)}], …]"
    if not isinstance(rows, list):
        raise _wrong("a list of rows was expected", where, rows, allowed)
    for place, row in enumerate(rows, start=1):
        at = f"{where}, row {place}"
        if not isinstance(row, list) or len(row) != len(names):
            raise _wrong("the row has not as many numbers as it needs", at, row, f"[{', '.join(names)}]")
        for name, value in zip(names, row, strict=True):
            _check_number(value, ABOVE_ZERO, f"{at}, {name}")


def _check_numbers(table: Mapping[str, Any], rules: Mapping[str, _Rule], where: str) -> None:
    _known(table, tuple(rules), where)
    for key, value in table.items():
        _check_number(value, rules[key], f"{where}.{key}")


def _check_number(value: object, rule: _Rule, where: str) -> None:
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    # NaN fails every comparison; a whole number of any length can be compared
    if not plain or not rule.holds(value):  # type: ignore[arg-type]
        raise _wrong("the number is not allowed", where, value, rule.text)


def _table(value: object, where: str) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise _wrong("a table was expected", where, value, "[id] with title, body and card")
    return value


def _known(table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            step = f"did you mean {near[0]}?" if near else ""
            raise InputError(
                "no such key", where=where, got=key[:80], allowed=", ".join(known), next_step=step
            )


def _wrong(what: str, where: str, got: object, allowed: str) -> InputError:
    text = f"{got}"
    return InputError(what, where=where, got=text if len(text) <= 80 else text[:80] + "…", allowed=allowed)
