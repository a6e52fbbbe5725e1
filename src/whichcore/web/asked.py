"""What a page asks to have done at the bench."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path

from whichcore.analysis.specimen import Specimen
from whichcore.errors import InputError
from whichcore.measure.sweep_ways import SweepWays
from whichcore.rig.multitone.rule import Tilt
from whichcore.rig.sweep.plan import PointOrder

LEVELS = (2, 3)
NAMED = {
    "order": "Order of the points",
    "zero_field": "Extrapolate to zero field",
    "demagnetise": "Demagnetise first",
    "rest": "Rest after it",
    "tones": "All tones at once",
    "take": "Length of a take",
    "tilt": "Equal for all tones",
}


@dataclass(frozen=True, slots=True)
class CalibrationForm:
    """What a page asks to be calibrated."""

    bench: str
    from_hz: float = 1e3
    to_hz: float = 3e6
    points_per_decade: int = 12
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class SweepForm:
    """What a page asks to be swept; ``journal`` names one to go on with, by ``mark`` the page knows it."""

    bench: str
    specimen: str
    name: str
    core: str | None = None
    from_hz: float | None = None
    to_hz: float | None = None
    points_per_decade: int | None = None
    flux_density_t: float | None = None
    order: str = PointOrder.RISING.value
    zero_field: int | None = None
    demagnetise: str | None = None
    rest: str | None = None
    tones: bool = False
    take: str | None = None
    tilt: str = Tilt.MATCHED.value
    journal: str | None = None
    mark: str = ""

    def ways(self) -> SweepWays:
        """Return how it is to be gone about; raises InputError."""
        for name, allowed in (
            ("order", [str(one) for one in PointOrder]),
            ("zero_field", [None, *LEVELS]),
            ("tones", [False, True]),
            ("tilt", [str(one) for one in Tilt]),
        ):
            given = getattr(self, name)
            if given not in allowed:
                raise InputError(
                    "there is no such choice",
                    where=NAMED[name],
                    got=str(given)[:80],
                    allowed=", ".join("none" if one is None else str(one) for one in allowed),
                )
        return SweepWays(NAMED.__getitem__, **{name: getattr(self, name) for name in NAMED})

    def again(self) -> dict[str, object]:
        """Return what a sweep must be asked for again to be gone on with."""
        left_out = {"bench", "specimen", "name", "core", "journal", "mark"}
        return {one.name: getattr(self, one.name) for one in fields(self) if one.name not in left_out}


@dataclass(frozen=True, slots=True)
class Wound:
    """A wound core: its file, what is in it, and how it is to be swept."""

    place: Path
    specimen: Specimen
    asked: SweepForm
