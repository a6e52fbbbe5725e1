"""How well a planned band would be measured: the accuracy of the bench carried through one wound core.

Which map or nominal accuracy speaks is decided here, and how an expected uncertainty compares with that of
another wiring, shunt or set of standards.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from whichcore.analysis.accuracy import SpecimenAccuracy, at_frequencies, specimen_accuracy
from whichcore.analysis.plan_point import PlanPoint, ferrite_permeability
from whichcore.analysis.reading_noise import ReadingNoise
from whichcore.analysis.remedies import remedy_of
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import AccuracyMap, ImpedanceAccuracy, Reach, Wiring

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


def plain(wiring: Wiring) -> str:
    """Return a wiring in words."""
    return wiring.value.replace("-", " ")
