"""How the ranges of both channels differ, measured with both channels on one node.

Each range has a gain and a delay of its own. On one node the ratio V_A/V_B is that of the two gains alone, so
a chain of records, each range beside its neighbours, gives all of them but for one common factor, which no
impedance contains. Over frequency ln|gain| follows c0 + c2 f² and the phase c1 f + c3 f³ (a network of
smallest phase far below its corner); what is left over goes into the uncertainty.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import ComplexArray, FlagKind, FloatArray, Phasors
from whichcore.calibration.shunt import RangeFactor
from whichcore.errors import CalibrationError, InstrumentError
from whichcore.rig.events import NotReachable, PointDone
from whichcore.rig.instruments import Bench
from whichcore.rig.sweep.plan import SweepPlan
from whichcore.rig.sweep.point import Place, Station
from whichcore.wording import in_percent

FILL = 0.75  # of a range: room for gains that differ
LEAST_FILL = 0.12  # below it the converter's steps say more than the range
TIE_FREQUENCIES = 7
LAW_TERMS = 2  # of gain, and of phase, over frequency
LARGEST_MISMATCH = 0.2  # of a gain: beyond it the channels do not read one node
_UNUSABLE = (FlagKind.CLIPPED, FlagKind.UNSTABLE, FlagKind.TOO_SMALL)


@dataclass(frozen=True, slots=True)
class ChannelRanges:
    """Gains of the ranges of both channels.

    Attributes
    ----------
    ranges_a, ranges_b : float array (M,), (N,)
        Full scales, V peak to peak.
    law_a, law_b : float array (M, 4), (N, 4)
        c0, c2, c1, c3 of each range, frequency in MHz.
    u_gain, u_phase_rad : float array (M, N)
        Of the ratio of each pair.
    """

    ranges_a: FloatArray
    ranges_b: FloatArray
    law_a: FloatArray
    law_b: FloatArray
    u_gain: FloatArray
    u_phase_rad: FloatArray

    def factor(self, labels: Sequence[str] | None, frequency_hz: FloatArray) -> RangeFactor:
        """Return the factor of V_A/V_B at each point.

        Parameters
        ----------
        labels : sequence of str
            Range pair of each point, as the sweep labels them.
        frequency_hz : float array (F,)

        Raises
        ------
        CalibrationError
            A pair of ranges that was not tied in.
        """
        known = {
            f"{a:g}V/{b:g}V": (i, j) for i, a in enumerate(self.ranges_a) for j, b in enumerate(self.ranges_b)
        }
        wanted = labels or ()
        lost = sorted({label for label in wanted if label not in known})
        if lost or len(wanted) != np.size(frequency_hz):
            raise CalibrationError(
                "a pair of ranges has no factor",
                where="ranges",
                got=", ".join(lost) or "no labels",
                allowed=f"A {_listed(self.ranges_a)}; B {_listed(self.ranges_b)}",
                next_step="calibrate again with a level limit that reaches these ranges",
            )
        pairs = np.array([known[label] for label in wanted])
        law = self.law_a[pairs[:, 0]] - self.law_b[pairs[:, 1]]
        ratio = np.exp(np.sum(_basis(np.asarray(frequency_hz)) * law, axis=1))
        u_gain, u_phase = (u[pairs[:, 0], pairs[:, 1]] for u in (self.u_gain, self.u_phase_rad))
        return RangeFactor(ratio, u_gain, u_phase)

    def solved_with(self, standards: int) -> ChannelRanges:
        """Return the ranges as a calibration with so many parts at the terminals needs them.

        On a bench of one pair of ranges the error of its factor is the same for standards and specimen, and
        three standards take it out whole: it counts for nothing.
        """
        if self.u_gain.size > 1 or standards < 3:
            return self
        return replace(self, u_gain=0 * self.u_gain, u_phase_rad=0 * self.u_phase_rad)

    def to_dict(self) -> dict[str, NDArray[np.generic]]:
        """Return the arrays by name."""
        return {name: getattr(self, name) for name in self.__slots__}

    @classmethod
    def from_dict(cls, data: Mapping[str, NDArray[np.generic]]) -> ChannelRanges:
        """Rebuild from :meth:`to_dict`; raises CalibrationError where the arrays do not fit."""
        try:
            arrays = {name: np.asarray(data[name], dtype=float) for name in cls.__slots__}
        except (KeyError, ValueError) as error:
            raise _unreadable(str(error)) from error
        m, n = arrays["ranges_a"].size, arrays["ranges_b"].size
        shapes = {"law_a": (m, 4), "law_b": (n, 4), "u_gain": (m, n), "u_phase_rad": (m, n)}
        for name, shape in shapes.items():
            if arrays[name].shape != shape or not np.all(np.isfinite(arrays[name])):
                raise _unreadable(f"{name} {arrays[name].shape}")
        return cls(**arrays)


def measure_ranges(
    bench: Bench, plan: SweepPlan, cancel: threading.Event, frequencies: int = TIE_FREQUENCIES
) -> Iterator[float | ChannelRanges]:
    """Read all ranges against each other; both channels are on one node already.

    Parameters
    ----------
    bench : Bench
    plan : SweepPlan
        Its frequencies, record and highest level are used.
    cancel : threading.Event
    frequencies : int
        Of the plan's, spread over the band, at which the ranges are read; three at least where it has them.

    Yields
    ------
    float or ChannelRanges
        Share of the work done; at last the ranges.

    Raises
    ------
    InstrumentError
        The channels do not read one node, or too few ranges can be filled.
    """
    station = Station(plan, bench, cancel, None, time.monotonic())
    tried = _spread(plan.frequency_hz, max(frequencies, LAW_TERMS + 1))
    lists = bench.digitizer.limits.ranges_vpp
    steps = _steps(lists, bench.source.limits.level_vpp[0], _highest(bench, plan))
    found: list[_Readings] = []
    bench.source.output_off()
    try:
        station.prepare()
        for count, frequency_hz in enumerate(tried):
            found.append(_chain(station, bench, frequency_hz, steps, first=count == 0))
            yield (count + 1) / len(tried)
    finally:
        bench.source.output_off()
    yield _solved(found, np.array(tried), lists)


def ranges_of_one_pair(
    points: Sequence[PointDone | NotReachable], lists: tuple[tuple[float, ...], tuple[float, ...]]
) -> ChannelRanges:
    """Return the ranges of a bench that has one for each channel, from a sweep of both on one node.

    Raises
    ------
    InstrumentError
        The channels do not read one node, or no point could be read.
    """
    read = [item for item in points if isinstance(item, PointDone)]
    usable = [item for item in read if not any(item.phasors.has(kind) for kind in _UNUSABLE)]
    if not usable:
        lost = next((item for item in points if isinstance(item, NotReachable)), None)
        raise InstrumentError(
            "there is no tone on the tied channels",
            where="" if lost is None else f"{lost.frequency_hz:g} Hz",
            got="too small a voltage" if lost is None else lost.reason,
            next_step="put both channels on the node of channel A, and check the cable of the output",
        )
    found = [[_reading(item.phasors, (0, 0))] for item in usable]
    last = tuple((limits[-1],) for limits in lists)
    return _solved(found, np.array([item.frequency_hz for item in usable]), (last[0], last[1]))


@dataclass(frozen=True, slots=True)
class _Reading:
    """ln(V_A/V_B) on a pair of ranges, with the variances of its two parts."""

    pair: tuple[int, int]
    logarithm: complex
    variance: tuple[float, float]


_Readings = list[_Reading]


def _highest(bench: Bench, plan: SweepPlan) -> float:
    return min(plan.highest_level_vpp, bench.source.limits.level_vpp[1])


def _spread(grid: Sequence[float], count: int) -> list[float]:
    places = np.unique(np.linspace(0, len(grid) - 1, count).round().astype(int))
    return [grid[index] for index in places]


def _steps(
    lists: tuple[tuple[float, ...], tuple[float, ...]], lowest: float, highest: float
) -> list[tuple[float, tuple[int, int]]]:
    """Return levels with the pairs read at each: a range of A with the like one of B, then neighbours."""
    a, b = lists
    steps = []
    for i, full in enumerate(a):
        level = min(max(FILL * full, lowest), highest)
        j = next((j for j, other in enumerate(b) if other >= full), len(b) - 1)
        for pair in ((i, j), (i + 1, j), (i, j + 1)):
            inside = pair[0] < len(a) and pair[1] < len(b)
            if inside and all(LEAST_FILL * r <= level <= 0.9 * r for r in (a[pair[0]], b[pair[1]])):
                steps.append((level, pair))
    return steps


def _chain(
    station: Station,
    bench: Bench,
    frequency_hz: float,
    steps: Sequence[tuple[float, tuple[int, int]]],
    *,
    first: bool,
) -> _Readings:
    a, b = bench.digitizer.limits.ranges_vpp
    readings: _Readings = []
    for level, (i, j) in steps:
        station.go(Place(frequency_hz, level, (a[i], b[j])))
        if first and not readings:
            bench.source.output_on()
            station.go(Place(frequency_hz, level, (a[i], b[j])))
        phasors = station.record(frequency_hz).phasors
        if phasors.has(FlagKind.FREQUENCY_NOT_FOUND):
            raise InstrumentError(
                "there is no tone on the tied channels",
                where=f"{frequency_hz:g} Hz, {level:g} V",
                next_step="put both channels on the node of channel A, and check the source's cable",
            )
        if not any(phasors.has(kind) for kind in _UNUSABLE):
            readings.append(_reading(phasors, (i, j)))
    return readings


def _reading(phasors: Phasors, pair: tuple[int, int]) -> _Reading:
    a, b = phasors.phasor_vpk
    ratio = a / b
    if abs(abs(ratio) - 1) > LARGEST_MISMATCH:
        raise InstrumentError(
            "the two channels do not read one node",
            where=f"{phasors.frequency_hz:g} Hz",
            got=f"V_A/V_B = {abs(ratio):.3g}",
            allowed=f"1 within {in_percent(LARGEST_MISMATCH)}",
            next_step="put both channels on the node of channel A; check probe ratios in bench.toml",
        )
    # δ ln(a/b) = δa/a − δb/b; rows are its real and imaginary part by (Re A, Im A, Re B, Im B)
    inverse = np.array([1 / a, -1 / b])
    gain = np.array([inverse[0].real, -inverse[0].imag, inverse[1].real, -inverse[1].imag])
    phase = np.array([inverse[0].imag, inverse[0].real, inverse[1].imag, inverse[1].real])
    spread = phasors.covariance_v2
    return _Reading(
        pair, complex(np.log(ratio)), (float(gain @ spread @ gain), float(phase @ spread @ phase))
    )


def _solved(
    found: Sequence[_Readings],
    frequency_hz: FloatArray,
    lists: tuple[tuple[float, ...], tuple[float, ...]],
) -> ChannelRanges:
    """Solve the chain at each frequency, and lay the law through the frequencies."""
    common = set.intersection(*({item.pair for item in readings} for readings in found))
    used_a, used_b = _connected(common)
    if not used_a:
        raise InstrumentError(
            "no pair of ranges could be read with both channels on one node",
            where="ranges",
            next_step="raise level_vpp in bench.toml; put both channels on the node of channel A",
        )
    places = [("a", i) for i in used_a] + [("b", j) for j in used_b]
    logs, spreads = [], []
    for readings in found:
        kept = [item for item in readings if item.pair in common and item.pair[0] in used_a]
        values, spread = _one_frequency(kept, places)
        logs.append(values)
        spreads.append(spread)
    basis = _basis(frequency_hz)
    table = np.array(logs)  # (F, M + N)
    law_gain = np.linalg.lstsq(basis[:, :2].real, table.real, rcond=None)[0].T
    law_phase = np.linalg.lstsq(basis[:, 2:].imag, table.imag, rcond=None)[0].T
    law = np.concatenate([law_gain, law_phase], axis=1)
    left = table - (basis @ law.T)
    m = len(used_a)
    u = _pair_uncertainties(left, np.array(spreads), m)
    full_a, full_b = (np.array([lists[c][k] for k in used]) for c, used in enumerate((used_a, used_b)))
    return ChannelRanges(full_a, full_b, law[:m], law[m:], u[0], u[1])


def _connected(pairs: set[tuple[int, int]]) -> tuple[list[int], list[int]]:
    """Return the ranges of A and B that hang together, the largest such set."""
    best: tuple[set[int], set[int]] = (set(), set())
    rest = set(pairs)
    while rest:
        start = rest.pop()
        a, b = {start[0]}, {start[1]}
        while grown := {pair for pair in rest if pair[0] in a or pair[1] in b}:
            rest -= grown
            a |= {pair[0] for pair in grown}
            b |= {pair[1] for pair in grown}
        if len(a) + len(b) > len(best[0]) + len(best[1]):
            best = (a, b)
    return sorted(best[0]), sorted(best[1])


def _one_frequency(
    readings: _Readings, places: Sequence[tuple[str, int]]
) -> tuple[ComplexArray, tuple[FloatArray, FloatArray]]:
    """Return ln of every gain (their common factor left at zero mean) and the covariances of both parts."""
    design = np.zeros((len(readings), len(places)))
    for row, item in enumerate(readings):
        design[row, places.index(("a", item.pair[0]))] = 1
        design[row, places.index(("b", item.pair[1]))] = -1
    wanted = np.array([item.logarithm for item in readings])
    parts, spreads = [], []
    for index, part in enumerate((wanted.real, wanted.imag)):
        weight = 1 / np.array([item.variance[index] for item in readings])
        spread = np.linalg.pinv(design.T @ (weight[:, None] * design), hermitian=True)
        parts.append(spread @ design.T @ (weight * part))
        spreads.append(spread)
    values: ComplexArray = np.asarray(parts[0] + 1j * parts[1], dtype=complex)
    return values, (np.asarray(spreads[0], dtype=float), np.asarray(spreads[1], dtype=float))


def _pair_uncertainties(left: ComplexArray, spreads: FloatArray, m: int) -> tuple[FloatArray, FloatArray]:
    """Return u of gain and phase of each pair: the converter's share does not fall with more frequencies.

    The misfit of the law is that of what its terms leave free; where they leave nothing it is not known.
    """
    free = max(len(left) - LAW_TERMS, 1)
    found = []
    for index, part in enumerate((left.real, left.imag)):
        spread = spreads[:, index].mean(axis=0)
        variance = np.diag(spread)
        formal = variance[:m, None] + variance[None, m:] - 2 * spread[:m, m:]
        misfit = np.sum((part[:, :m, None] - part[:, None, m:]) ** 2, axis=0) / free
        found.append(np.sqrt(np.maximum(formal, 0.0) + misfit))
    return found[0], found[1]


def _basis(frequency_hz: FloatArray) -> ComplexArray:
    """Return (1, f², j f, j f³), complex array (F, 4), frequency in MHz."""
    f = np.asarray(frequency_hz, dtype=float) / 1e6
    return np.stack([np.ones_like(f) + 0j, f**2 + 0j, 1j * f, 1j * f**3], axis=1)


def _listed(ranges: FloatArray) -> str:
    return ", ".join(f"{full:g} V" for full in ranges)


def _unreadable(got: str) -> CalibrationError:
    return CalibrationError(
        "the ranges of a stored calibration cannot be read",
        where="ranges",
        got=got,
        next_step="calibrate anew",
    )
