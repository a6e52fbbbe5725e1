"""What a plan says in words."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

PRACTICE = "practice, no source"
ESTIMATE = "estimate from the accuracy of this bench"


class Reason(StrEnum):
    """What a remark is about."""

    WIRING = "wiring"
    TURNS = "turns"
    WIRE = "wire"
    LEVEL = "level"
    SOURCE = "source"
    SHUNT = "shunt"
    ACCURACY = "accuracy"
    LOSS = "loss"
    NEUTRAL = "neutralising"
    FREQUENCY = "frequency"


@dataclass(frozen=True, slots=True)
class Remark:
    """Why something is as it is, or why it cannot be had.

    Attributes
    ----------
    reason : Reason
    text : str
    source : str
        Where the rule comes from.
    cannot : bool
        True where something cannot be measured.
    """

    reason: Reason
    text: str
    source: str = PRACTICE
    cannot: bool = False
