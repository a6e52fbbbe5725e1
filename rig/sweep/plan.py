"""What a sweep is to do: frequencies, level, record, averaging, waiting. Data only, with a fingerprint."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict, dataclass, field
from enum import StrEnum

import numpy as np

from whichcore.analysis.alias import MOST_CYCLES, fold
from whichcore.analysis.quantisation import coprime_periods
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import Wiring
from whichcore.errors import AnalysisError, InputError
from whichcore.rig.instruments import DigitizerLimits
from whichcore.rig.sweep.level import DriveRule, FluxRule, ZeroFieldRule

GRID_DIGITS = 6
LEAST_SAMPLES_PER_PERIOD = 1 / MOST_CYCLES
HIGHEST_COERCIVE = 2000.0  # A/m; beyond, a material is no soft one
COPRIME_CHOICE = 64  # record lengths tried for the one that fits whole periods best


class PointOrder(StrEnum):
    """In which order the points are taken.

    INTERLEAVED goes up by every second point and comes back by the others: what changes evenly with time is
    the same in the mean of two neighbours everywhere, so it is not taken for a change with frequency, and the
    neighbours' difference shows it.
    """

    RISING = "rising"
    INTERLEAVED = "interleaved"

    def places(self, count: int) -> tuple[int, ...]:
        """Return the places in the plan in the order they are taken."""
        if self is PointOrder.RISING:
            return tuple(range(count))
        return (*range(0, count, 2), *reversed(range(1, count, 2)))


@dataclass(frozen=True, slots=True)
class RecordRule:
    """Length of a record.

    Attributes
    ----------
    samples : int
        Per channel; the noise falls with its root.
    least_periods : int
        At a sample rate as high as the instrument allows for it. From 32 on the fit can look at parts of the
        record and see drift.
    """

    samples: int = 20_000
    least_periods: int = 40


@dataclass(frozen=True, slots=True)
class DemagnetiseRule:
    """The core is demagnetised before the first point.

    Attributes
    ----------
    specimen : Specimen
        Turns and path: the field is N I/l_e.
    coercive_a_per_m : float
    origin : str
        Where that comes from, in words.
    rest_s : float
        Wait after it: the permeability falls at first quickly, then by as much in each decade of time.
    """

    specimen: Specimen
    coercive_a_per_m: float
    origin: str
    rest_s: float = 60.0

    def __post_init__(self) -> None:
        for where, value, holds in (
            ("coercive field", self.coercive_a_per_m, 0 < self.coercive_a_per_m <= HIGHEST_COERCIVE),
            ("rest", self.rest_s, 0 <= self.rest_s < math.inf),
        ):
            if not holds:
                raise InputError(
                    "no way to demagnetise",
                    where=where,
                    got=f"{value:g}",
                    allowed=f"above 0, up to {HIGHEST_COERCIVE:g} A/m; a rest of 0 s or more",
                )


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """A sweep.

    Attributes
    ----------
    frequency_hz : tuple of float
        In rising order; the source is set to exactly these.
    level : DriveRule or FluxRule
    record : RecordRule
    target_relative : float
        Standard uncertainty of a component of the impedance over its magnitude (of the voltages, where no
        correction is at hand) at which averaging ends.
    most_takes : int
        Records per point at the very most.
    settle_s : float
        Wait after a change of frequency or level, where the source's own is shorter.
    settle_periods : float
        Wait on top of it.
    highest_level_vpp : float
        Never driven harder, V peak to peak, open circuit.
    offset_v : float
        Of the source, to null its own.
    mains_hz : float or None
    temperature_c : float or None
        Of the specimen, as read by the user.
    revisit_first : bool
        Measure the first frequency again at the end.
    tie_ranges : bool
        Measure one frequency on both pairs where the ranges change between two points.
    order : PointOrder
    zero_field : ZeroFieldRule or None
        With a level by flux density: what to do where that is too little. None: the point is not reachable.
    demagnetise : DemagnetiseRule or None
    """

    frequency_hz: tuple[float, ...]
    level: DriveRule | FluxRule
    record: RecordRule = field(default_factory=RecordRule)
    target_relative: float = 1e-3
    most_takes: int = 64
    settle_s: float = 0.0
    settle_periods: float = 10.0
    highest_level_vpp: float = 20.0
    offset_v: float = 0.0
    mains_hz: float | None = 50.0
    temperature_c: float | None = None
    revisit_first: bool = True
    tie_ranges: bool = True
    order: PointOrder = PointOrder.RISING
    zero_field: ZeroFieldRule | None = None
    demagnetise: DemagnetiseRule | None = None

    def __post_init__(self) -> None:
        f = self.frequency_hz
        rules = {
            "frequency_hz": (
                len(f) > 0 and f[0] > 0 and math.isfinite(f[-1]) and all(np.diff(f) > 0),
                f"{len(f)} values",
                "positive, in rising order",
            ),
            "record": (
                self.record.samples >= 32 and self.record.least_periods >= 3,
                f"{self.record.samples} samples, {self.record.least_periods} periods",
                "32 samples and 3 periods or more",
            ),
            "target_relative": (0 < self.target_relative < 1, f"{self.target_relative:g}", "0 to 1"),
            "most_takes": (self.most_takes >= 1, f"{self.most_takes}", "1 or more"),
            "settle": (
                0 <= self.settle_s < math.inf and 0 <= self.settle_periods < math.inf,
                f"{self.settle_s:g} s, {self.settle_periods:g} periods",
                "0 or more",
            ),
            "zero_field": (
                self.zero_field is None
                or (
                    isinstance(self.level, FluxRule)
                    and self.level.flux_density_t < self.zero_field.flux_density_t
                ),
                "levels beside a fixed drive, or below the flux density",
                "with a level by flux density, and above it",
            ),
            "highest_level_vpp": (self.highest_level_vpp > 0, f"{self.highest_level_vpp:g} V", "above 0 V"),
        }
        for where, (holds, got, allowed) in rules.items():
            if not holds:
                raise InputError("the plan cannot be carried out", where=where, got=got, allowed=allowed)

    def fingerprint(self, wiring: Wiring, shunt_ohm: float) -> str:
        """Return a short name that changes with anything that would change a result.

        Parameters
        ----------
        wiring : Wiring
        shunt_ohm : float
            Of the bench the plan is carried out on.
        """
        content = asdict(self) | {"rule": type(self.level).__name__, "wiring": wiring, "shunt": shunt_ohm}
        text = json.dumps(content, sort_keys=True, default=_plain)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


def _plain(value: object) -> object:
    return dict(value) if hasattr(value, "keys") else str(value)  # type: ignore[call-overload]


def log_grid(from_hz: float, to_hz: float, per_decade: int) -> tuple[float, ...]:
    """Return frequencies in equal ratios, both ends included, rounded to six digits.

    Parameters
    ----------
    from_hz, to_hz : float
    per_decade : int
        Least number of steps in a decade; the ratio is made smaller so that the last step ends at ``to_hz``.

    Raises
    ------
    InputError
        Ends that are not positive and in rising order, or no steps.
    """
    if not 0 < from_hz < to_hz < math.inf or per_decade < 1:
        raise InputError(
            "no grid of frequencies can be made",
            where="from, to, points per decade",
            got=f"{from_hz:g} Hz, {to_hz:g} Hz, {per_decade}",
            allowed="0 < from < to, 1 or more",
        )
    steps = max(1, math.ceil(per_decade * math.log10(to_hz / from_hz) - 1e-9))
    # two steps within half the last digit of a number that begins with 1 cannot both be written down
    too_fine = math.log(10) / per_decade < 0.5 * 10.0 ** (1 - GRID_DIGITS)
    values = () if too_fine else np.geomspace(from_hz, to_hz, steps + 1)
    grid = [float(f"{f:.{GRID_DIGITS}g}") for f in values]
    if too_fine or len(set(grid)) < len(grid):
        raise InputError(
            "the steps are finer than six digits of frequency",
            where="points per decade",
            got=f"{per_decade}",
        )
    return tuple(grid)


def slowest_useful(frequency_hz: float) -> float:
    """Return the longest sample interval at which a tone is sampled in the ordinary way, s."""
    return 1 / (LEAST_SAMPLES_PER_PERIOD * frequency_hz)


def interval_wanted(rule: RecordRule, limits: DigitizerLimits, frequency_hz: float) -> float:
    """Return the time between samples to ask for: as fast as ``least_periods`` in the record allow.

    Raises
    ------
    AnalysisError
        The digitizer is too slow for the frequency.
    """
    samples = min(rule.samples, limits.points[1])
    wanted = rule.least_periods / (samples * frequency_hz)
    interval = min(max(wanted, limits.interval_s[0]), limits.interval_s[1])
    if interval * frequency_hz * LEAST_SAMPLES_PER_PERIOD > 1:
        raise AnalysisError(
            "the digitizer is too slow for this frequency",
            where=f"{frequency_hz:g} Hz",
            got=f"{1 / interval:g} samples per second",
            allowed=f"{LEAST_SAMPLES_PER_PERIOD * frequency_hz:g} or more",
        )
    return interval


def points_for(rule: RecordRule, limits: DigitizerLimits, interval_s: float, frequency_hz: float) -> int:
    """Return the record length, of those near the rule's, that holds whole periods best, coprime to it.

    The frequency itself stays as planned: the fit needs no whole periods, it is the coverage of phases that
    gains, and a calibration holds at its own frequencies alone. A tone above half the sample rate counts
    where it folds to.

    Raises
    ------
    AnalysisError
        Not one period fits the longest record.
    """
    longest = min(rule.samples, limits.points[1])
    shortest = max(min(longest, limits.points[0]), longest - COPRIME_CHOICE, 16)
    cycles = frequency_hz * interval_s
    there = frequency_hz if cycles < 0.5 else fold(cycles) / interval_s
    return coprime_periods(1 / interval_s, there, longest, shortest_samples=shortest).samples
