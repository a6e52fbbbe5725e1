"""How well a planned band would be measured: the accuracy of the bench carried through one wound core.

Which map or nominal accuracy speaks is decided here, and how an expected uncertainty compares with that of
another wiring, shunt or set of standards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from whichcore.analysis.accuracy import SpecimenAccuracy, at_frequencies, specimen_accuracy
from whichcore.analysis.plan_point import PlanPoint, ferrite_permeability
from whichcore.analysis.plan_remark import ESTIMATE, Reason, Remark
from whichcore.analysis.reading_noise import ReadingNoise
from whichcore.analysis.remedies import remedy_of
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import AccuracyMap, ImpedanceAccuracy, Reach, Wiring

PAYS = 1.5  # times smaller an uncertainty must be for another shunt or winding to be named; practice
HELPS = 1.3  # the same for one more standard; practice
ONE_WINDING = (Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND)


@dataclass(frozen=True, slots=True)
class PlanAccuracy:
    """What is known of the accuracy of a bench.

    Attributes
    ----------
    reading : ReadingNoise
    maps : tuple of AccuracyMap
        Those of a wiring in the order they are asked: calibrations that were taken first.
    stated : tuple of ImpedanceAccuracy
        Of every wiring, from what the bench file states: what alternatives are compared with.
    shunts : mapping of float to tuple of ImpedanceAccuracy
        The same with other shunts, by their resistance in Ω.
    capacitor : tuple of ImpedanceAccuracy
        The same with a good capacitor as one more standard; empty where it has one.
    """

    reading: ReadingNoise
    maps: tuple[AccuracyMap, ...]
    stated: tuple[ImpedanceAccuracy, ...] = ()
    shunts: Mapping[float, tuple[ImpedanceAccuracy, ...]] = field(default_factory=dict)
    capacitor: tuple[ImpedanceAccuracy, ...] = ()

    def of(self, wiring: Wiring, frequency_hz: Sequence[float]) -> ImpedanceAccuracy | None:
        """Return the first that speaks for all frequencies; None where none does."""
        return speaks([item.accuracy for item in self.maps], wiring, frequency_hz)


def speaks(
    items: Sequence[ImpedanceAccuracy], wiring: Wiring, frequency_hz: Sequence[float]
) -> ImpedanceAccuracy | None:
    """Return the first accuracy of a wiring that holds at all frequencies, taken at these."""
    wanted = np.array(frequency_hz)
    found = (at_frequencies(item, wanted) for item in items if item.wiring is wiring)
    return next((item for item in found if item is not None), None)


@dataclass(frozen=True, slots=True)
class ExpectedPoint:
    """What would be known of one core at one frequency; standard uncertainties.

    Attributes
    ----------
    frequency_hz, initial_permeability : float
    u_total : float
        Of μ, both parts together, relative to |μ|.
    u_real : float
        Of μ′, relative.
    u_loss_tangent, lowest_loss_tangent : float
        Of tan δ, and the least tan δ that is seen.
    cause_real, cause_loss : str
        Id of a source of the largest kind: in μ′, and in what hides a smaller tan δ.
    reach : Reach
    """

    frequency_hz: float
    initial_permeability: float
    u_total: float
    u_real: float
    u_loss_tangent: float
    lowest_loss_tangent: float
    cause_real: str
    cause_loss: str
    reach: Reach


@dataclass(frozen=True, slots=True)
class Expected:
    """What would be known of the cores of a band in one wiring.

    Attributes
    ----------
    wiring : Wiring
    calibrated : bool
    origin : str
    points : tuple of ExpectedPoint
        In the order of the band's points.
    """

    wiring: Wiring
    calibrated: bool
    origin: str
    points: tuple[ExpectedPoint, ...]

    @property
    def rank(self) -> tuple[int, float]:
        """Fewest points out of reach, then the smallest uncertainty of μ at worst."""
        lost = sum(point.reach is not Reach.REACHED for point in self.points)
        return lost, max(point.u_total for point in self.points)

    @property
    def worst(self) -> float:
        """Largest relative uncertainty of μ."""
        return self.rank[1]

    @property
    def blindest(self) -> ExpectedPoint:
        """The point at which the least tan δ that is seen is largest."""
        return max(self.points, key=lambda point: point.lowest_loss_tangent)


def expected(
    accuracy: ImpedanceAccuracy,
    reading: ReadingNoise,
    specimen: Specimen,
    points: Sequence[PlanPoint],
    raised: float,
    *,
    least: bool = True,
) -> Expected:
    """Return what would be known at the points of a band.

    Parameters
    ----------
    accuracy : ImpedanceAccuracy
        At the band's frequencies.
    reading : ReadingNoise
    specimen : Specimen
        With the winding to be judged.
    points : sequence of PlanPoint
        Frequencies outside, permeabilities inside, as a band has them.
    raised : float
        Level over that of the points; the source's limits hold.
    least : bool
        Find the least tan δ that is seen as well.
    """
    wound = specimen
    if accuracy.wiring is Wiring.TWO_WINDINGS:
        turns = specimen.winding.turns
        wound = replace(specimen, winding=replace(specimen.winding, secondary_turns=turns))
    by_place: dict[tuple[float, float], ExpectedPoint] = {}
    for initial in dict.fromkeys(point.initial_permeability for point in points):
        row = [point for point in points if point.initial_permeability == initial]
        mu = np.array([ferrite_permeability(initial, point.frequency_hz) for point in row])
        level = np.clip([raised * point.emf_vpp for point in row], *reading.level_vpp)
        found = specimen_accuracy(accuracy, reading, wound, mu, level, least=least)
        for place, point in enumerate(row):
            by_place[point.frequency_hz, initial] = _point(found, place, initial)
    ordered = tuple(by_place[point.frequency_hz, point.initial_permeability] for point in points)
    return Expected(accuracy.wiring, accuracy.calibrated, accuracy.origin, ordered)


def _point(found: SpecimenAccuracy, place: int, initial: float) -> ExpectedPoint:
    return ExpectedPoint(
        frequency_hz=float(found.frequency_hz[place]),
        initial_permeability=initial,
        u_total=float(found.u_total[place]),
        u_real=float(found.u_real[place]),
        u_loss_tangent=float(found.u_loss_tangent[place]),
        lowest_loss_tangent=float(found.lowest_loss_tangent[place]),
        cause_real=_largest([(name, u[place]) for name, u, _ in found.budget]),
        cause_loss=_largest([(name, u[place]) for name, _, u in found.faint_budget or found.budget]),
        reach=tuple(Reach)[int(found.reach[place])],
    )


def _largest(rows: Sequence[tuple[str, float]]) -> str:
    """Return the id of the largest kind of cause; what has one name in plain words is one kind."""
    total: dict[str, float] = {}
    ids: dict[str, str] = {}
    for source, u in rows:
        name = remedy_of(source).name
        total[name] = total.get(name, 0.0) + float(u) ** 2
        ids.setdefault(name, source)
    return ids[max(total, key=lambda name: total[name])]


# ------------------------------------------------------------------------------------------------- words


def accuracy_remarks(here: Expected, other: Expected | None) -> list[Remark]:
    """Return what would be known, beside the other wiring, and which points are out of reach and why."""
    remarks = []
    if other is not None:
        remarks.append(
            Remark(
                Reason.WIRING,
                f"μ would be known to {_percent(here.worst)} at worst with the {plain(here.wiring)}, to "
                f"{_percent(other.worst)} with the {plain(other.wiring)}",
                ESTIMATE,
            )
        )
    widest = max(here.points, key=lambda point: point.u_real)
    remarks.append(
        Remark(
            Reason.ACCURACY,
            f"the largest part of the uncertainty of μ′ is {remedy_of(widest.cause_real).name}: "
            f"{remedy_of(widest.cause_real).remedy}",
            f"{ESTIMATE}; {here.origin}",
        )
    )
    lost = [point for point in here.points if point.reach is not Reach.REACHED]
    return remarks + [
        Remark(
            Reason.ACCURACY,
            f"a core of {point.initial_permeability:.4g} is out of reach at {_hertz(point)}: "
            f"{point.reach.value}",
            ESTIMATE,
            cannot=True,
        )
        for point in lost
    ]


def loss_remark(
    here: Expected, second: Expected | None, capacitor: Callable[[], tuple[Expected, Expected] | None]
) -> Remark:
    """Return the least tan δ that is seen in a band, what hides it, and what would help.

    Parameters
    ----------
    here : Expected
    second : Expected or None
        The same core with a second winding.
    capacitor : callable
        Returns the band as stated and with a good capacitor as one more standard, where that can be said.
    """
    point = here.blindest
    cause = remedy_of(point.cause_loss)
    text = f"tan δ below {point.lowest_loss_tangent:.2g} cannot be seen at {_hertz(point)} here: {cause.name}"
    helps = []
    if second is not None and second.rank[0] == 0 and _gain(here, second) >= PAYS:
        there = second.blindest
        helps.append(
            f"a second winding of as many turns, A on it, shows tan δ from {there.lowest_loss_tangent:.2g}"
        )
    if point.cause_loss.startswith("standard ") and (both := capacitor()) is not None:
        gain = both[0].blindest.lowest_loss_tangent / both[1].blindest.lowest_loss_tangent
        if gain >= HELPS:
            helps.append(f"a good capacitor as one more standard makes it {gain:.2g} times less")
    if not helps:
        helps.append(cause.remedy)
    return Remark(Reason.LOSS, f"{text}; {'; '.join(helps)}", ESTIMATE, cannot=True)


def _gain(here: Expected, other: Expected) -> float:
    return here.blindest.lowest_loss_tangent / other.blindest.lowest_loss_tangent


def shunt_remark(stated: Expected, others: Mapping[float, Expected], shunt_ohm: float) -> Remark | None:
    """Return the shunt that would serve a band better, where one does by half as much again."""
    if not others:
        return None
    best = min(others, key=lambda ohm: others[ohm].rank)
    there = others[best]
    fewer = there.rank[0] < stated.rank[0]
    if there.rank[0] > stated.rank[0] or not (fewer or stated.worst >= PAYS * there.worst):
        return None
    return Remark(
        Reason.SHUNT,
        f"a shunt of {best:g} Ω with the {plain(there.wiring)} would serve this band better: μ to "
        f"{_percent(there.worst)} instead of {_percent(stated.worst)} with {shunt_ohm:g} Ω",
        f"{ESTIMATE}, both as the bench file states them",
    )


def _hertz(point: ExpectedPoint) -> str:
    power = max(0, min(2, math.floor(math.log10(point.frequency_hz) / 3)))
    return f"{point.frequency_hz / 1e3**power:.3g} {('Hz', 'kHz', 'MHz')[power]}"


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %" if share < 1 else "no better than its own size"


def plain(wiring: Wiring) -> str:
    """Return a wiring in words."""
    return wiring.value.replace("-", " ")
