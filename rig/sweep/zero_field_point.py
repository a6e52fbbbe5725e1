"""A point at two or three levels, extrapolated to zero field where its own level is too little."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, replace

from whichcore.analysis.types import Phasors
from whichcore.analysis.zero_field import to_zero_field
from whichcore.errors import AnalysisError
from whichcore.rig.events import Event, PointDone
from whichcore.rig.sweep.level import DriveRule, FluxRule, ZeroFieldRule, rounded_down
from whichcore.rig.sweep.point import OutOfReachError, Station


@dataclass(frozen=True, slots=True)
class Taken:
    """A point, however it was had.

    Attributes
    ----------
    point : PointDone
        To be told.
    here : PointDone
        The same as the instruments stand now: of an extrapolated one its lowest level.
    on_old : Phasors or None
        What the ranges of the point before read here, where they could.
    """

    point: PointDone
    here: PointDone
    on_old: Phasors | None = None


def take_point(
    station: Station,
    rule: ZeroFieldRule | None,
    index: int,
    frequency_hz: float,
    old: tuple[float, float] | None,
) -> Generator[Event, None, Taken]:
    """Measure a point at its level, and at others where that is too little and a rule allows them.

    Raises
    ------
    OutOfReachError
        Neither way leads to it.
    """
    if rule is None:
        return (yield from _direct(station, index, frequency_hz, old))
    direct: Taken | None = None
    reason = ""
    try:
        direct = yield from _direct(station, index, frequency_hz, old)
        if direct.point.relative_uncertainty <= rule.beyond_relative:
            return direct
    except OutOfReachError as error:
        reason = str(error)
    place = station.place(frequency_hz)
    try:
        by_levels = yield from _at_levels(station, rule, index, frequency_hz)
    except OutOfReachError as error:
        if direct is None:
            raise OutOfReachError(f"{reason}; at larger levels: {error}") from None
    else:
        if direct is None or by_levels.point.relative_uncertainty < direct.point.relative_uncertainty:
            return by_levels
    station.go(place)
    return direct


def _direct(
    station: Station, index: int, frequency_hz: float, old: tuple[float, float] | None
) -> Generator[Event, None, Taken]:
    look, on_old = yield from station.look(frequency_hz, old)
    point = station.averaged(index, frequency_hz, look)
    return Taken(point, point, on_old)


def _at_levels(
    station: Station, rule: ZeroFieldRule, index: int, frequency_hz: float
) -> Generator[Event, None, Taken]:
    """Measure at the largest flux density, then at lower levels, and extrapolate."""
    usual = station.rule
    if not isinstance(usual, FluxRule):
        raise OutOfReachError("only a level by flux density leads to zero field")
    points: list[PointDone] = []
    try:
        station.rule = FluxRule(rule.flux_density_t, usual.specimen)
        largest = (yield from _direct(station, index, frequency_hz, None)).point
        points.append(largest)
        for share in rule.shares:
            station.rule = DriveRule(rounded_down(largest.level_vpp * share))
            points.append((yield from _direct(station, index, frequency_hz, None)).point)
    finally:
        station.rule = usual
    return Taken(_extrapolated(points, station), points[-1])


def _extrapolated(points: list[PointDone], station: Station) -> PointDone:
    readings = [point.corrected for point in points if point.corrected is not None]
    flux = tuple(point.flux_density_t or 0.0 for point in points)
    try:
        at_zero = to_zero_field(readings, flux)
    except AnalysisError as error:
        raise OutOfReachError(f"{error.what}: {error.got}") from None
    z = abs(complex(at_zero.impedance_ohm[0]))
    chance = math.sqrt(max(float(at_zero.scatter[0].trace()) / 2, 0.0)) / max(z, 1e-300)
    reached = math.hypot(chance, abs(complex(at_zero.sources[-1].sensitivity[0])) / max(z, 1e-300))
    return replace(
        points[0],
        corrected=at_zero,
        flux_density_t=0.0,
        range_label=" & ".join(dict.fromkeys(point.range_label for point in points)),
        time_s=station.now(),
        relative_uncertainty=reached,
        target_reached=all(point.target_reached for point in points),
        from_flux_t=flux,
    )
