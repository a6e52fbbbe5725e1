"""How a sweep is gone about, as asked for: order, levels towards zero field, demagnetising, many tones."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from whichcore.analysis.coercive import highest_coercive_field
from whichcore.analysis.specimen import Specimen
from whichcore.bench import BenchSettings
from whichcore.errors import UsageError
from whichcore.files import Dimension, parse_quantity
from whichcore.measure.calibration_file import StoredCalibration
from whichcore.rig.instruments import Bench
from whichcore.rig.multitone.rule import (
    USUAL_TAKE_S,
    Tilt,
    ToneRule,
    grid_fits,
    samples_of,
    take_device,
    tone_grid,
)
from whichcore.rig.sweep.level import ZeroFieldRule
from whichcore.rig.sweep.plan import DemagnetiseRule, PointOrder

USUAL_PER_DECADE = 12
Band = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class SweepWays:
    """What a sweep may be asked for beside band and level; texts with their units, as they were typed.

    Attributes
    ----------
    named : callable
        Turns the name of an attribute into what the one who asks knows it by.
    order : str
    zero_field : int or None
        Levels from which to extrapolate.
    demagnetise, rest : str or None
        Coercive field or class, and the wait afterwards.
    tones : bool
        All frequencies at once.
    take : str or None
        Length of one take.
    tilt : str
    """

    named: Callable[[str], str]
    order: str = PointOrder.RISING.value
    zero_field: int | None = None
    demagnetise: str | None = None
    rest: str | None = None
    tones: bool = False
    take: str | None = None
    tilt: str = Tilt.MATCHED.value

    def for_request(self, specimen: Specimen) -> dict[str, Any]:
        """Return what they add to the request of a sweep.

        Raises
        ------
        UsageError
            A rest without demagnetising, or a take without tones.
        InputError
            A field or time that is none, or a class whose coercive field is not known.
        """
        self.take_s()
        return {
            "order": PointOrder(self.order),
            "zero_field": None if self.zero_field is None else ZeroFieldRule(levels=self.zero_field),
            "demagnetise": self._demagnetise(specimen),
        }

    def refuse_beside_tones(self) -> None:
        """Raise UsageError for what has no meaning where all frequencies are played at once."""
        given = [key for key in ("zero_field", "demagnetise", "rest") if getattr(self, key)]
        if self.order != PointOrder.RISING:
            given.append("order")
        if given and self.tones:
            raise UsageError(
                "all tones at once have no order, no levels, and no core demagnetised before them",
                where=", ".join(map(self.named, given)),
                next_step="leave it out, or sweep one frequency after the other",
            )

    def take_s(self) -> float | None:
        """Return the length of a take, or None for the usual one."""
        if self.take is None:
            return None
        if not self.tones:
            raise UsageError(
                "a take holds many tones",
                where=self.named("take"),
                got=self.take,
                next_step=f"add {self.named('tones')}",
            )
        return parse_quantity(self.take, Dimension.TIME, where=self.named("take"))

    def played(
        self,
        settings: BenchSettings,
        bench: Bench,
        stored: StoredCalibration,
        band: Band,
        density: int | None,
    ) -> tuple[tuple[float, ...], ToneRule] | None:
        """Return frequencies and rule of a sweep with all tones at once; None for one after the other.

        The frequencies are those of the calibration where they fit the take; else tones within its band,
        between whose frequencies it is read.

        Parameters
        ----------
        settings : BenchSettings
        bench : Bench
        stored : StoredCalibration
        band : (float or None, float or None)
            Hz; None for the ends of the calibration.
        density : int or None
            Points per decade; None for those of the calibration.

        Raises
        ------
        InputError, UsageError
            The bench plays one tone at a time, or the tones do not fit its rate or the take.
        """
        take_s = self.take_s()
        if not self.tones:
            return None
        device = take_device(bench)
        if take_s is None:
            own = stored.header.get("samples_of_a_take")
            take_s = USUAL_TAKE_S if own is None else own / device.rate_hz
        rule = ToneRule(samples_of(device.rate_hz, take_s), Tilt(self.tilt))
        grid = stored.grid(*band, density)
        if grid_fits(device, rule, grid):
            return grid, rule
        ends = (grid[0], grid[-1])
        return tone_grid(device, take_s, ends, density or USUAL_PER_DECADE, settings.mains_hz), rule

    def _demagnetise(self, specimen: Specimen) -> DemagnetiseRule | None:
        text = self.demagnetise
        if text is None:
            if self.rest is not None:
                raise UsageError(
                    "a rest comes after demagnetising",
                    where=self.named("rest"),
                    got=self.rest,
                    next_step=f"add {self.named('demagnetise')}",
                )
            return None
        if text.strip()[:1].isdigit():
            strength = parse_quantity(text, Dimension.FIELD_STRENGTH, where=self.named("demagnetise"))
            origin = "stated"
        else:
            strength, origin = highest_coercive_field(text.strip()), f"the most of {text.strip()}"
        if self.rest is None:
            return DemagnetiseRule(specimen, strength, origin)
        rest_s = parse_quantity(self.rest, Dimension.TIME, where=self.named("rest"))
        return DemagnetiseRule(specimen, strength, origin, rest_s=rest_s)
