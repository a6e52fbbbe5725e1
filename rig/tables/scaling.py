"""How codes become volts. A command table names one of these formulas; it never brings its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

Values = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Formula:
    """volts = code × slope + zero.

    Attributes
    ----------
    needs : tuple of str
        Numbers the instrument must be asked for.
    slope, zero : callable
        From those numbers; V per code, and V at code 0.
    """

    needs: tuple[str, ...]
    slope: Callable[[Values], float]
    zero: Callable[[Values], float]


FORMULAS = {
    # volts = code × scale + zero
    "linear": Formula(("scale", "zero"), lambda v: v["scale"], lambda v: v["zero"]),
    # volts = (code − reference) × scale + origin: a preamble with increment, origin and reference
    "reference": Formula(
        ("scale", "origin", "reference"),
        lambda v: v["scale"],
        lambda v: v["origin"] - v["reference"] * v["scale"],
    ),
    # volts = (code − origin − reference) × scale: preambles that count the origin in codes
    "origin-in-codes": Formula(
        ("scale", "origin", "reference"),
        lambda v: v["scale"],
        lambda v: -(v["origin"] + v["reference"]) * v["scale"],
    ),
    # volts = code × scale/codes_per_division − offset: volts per division, and the offset taken off
    "per-division": Formula(
        ("scale", "offset", "codes_per_division"),
        lambda v: v["scale"] / v["codes_per_division"],
        lambda v: -v["offset"],
    ),
    # the block holds volts
    "volts": Formula((), lambda _: 1.0, lambda _: 0.0),
}
