"""Intervals by drawing every source through the whole non-linear chain Z → μ → quantity.

JCGM 101:2008, clause 7: draw the inputs from their distributions, evaluate the model, take quantiles of the
output. The inputs are the named sources and the scatter: the scatter is normal, a source has the shape it
states. Errors of the impedance enter as the sweep states them, to first order in Z; what lies between
terminals and core (R_w, L_s, C_w) and L0 are drawn themselves, so that self-resonance, quotients and
magnitudes come out as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from whichcore.analysis.functional import Functional
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.permeability import air_inductance_h, winding_seen
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ComplexArray, Distribution, FloatArray, ImpedanceSweep, Wiring
from whichcore.analysis.uncertainty import frequency_index
from whichcore.analysis.winding import Element
from whichcore.errors import AnalysisError

FEWEST, MOST = 1_000, 1_000_000
DISAGREES = 0.1
"""Share of the first-order half width by which an end may move before it is said; practice."""


@dataclass(frozen=True, slots=True)
class DrawnInterval:
    """What the draws say of a real quantity.

    Attributes
    ----------
    functional : Functional
    low, high : float
        Ends of the probabilistically symmetric 95 % interval (JCGM 101:2008, 7.7).
    mean, standard_uncertainty : float
    end_uncertainty : float
        Standard uncertainty of either end for the number of draws, the larger: √(p(1 − p)/M) over the density
        there, which is taken from the quantiles beside it.
    """

    functional: Functional
    low: float
    high: float
    mean: float
    standard_uncertainty: float
    end_uncertainty: float

    def disagrees(self, value: float, half_width: float) -> bool:
        """Tell whether an end lies more than a tenth of the half width off ``value`` ± ``half_width``."""
        off = max(abs(self.low - value + half_width), abs(self.high - value - half_width))
        return off > DISAGREES * half_width


def draw(distribution: Distribution, count: int, generator: np.random.Generator) -> FloatArray:
    """Return draws (count,) of unit variance and zero mean (JCGM 101:2008, 6.4; widths are analytic)."""
    if distribution is Distribution.RECTANGULAR:
        return generator.uniform(-np.sqrt(3), np.sqrt(3), count)
    if distribution is Distribution.TRIANGULAR:
        return generator.triangular(-np.sqrt(6), 0.0, np.sqrt(6), count)
    if distribution is Distribution.ARCSINE:
        return np.asarray(np.sqrt(2) * np.sin(2 * np.pi * generator.random(count)))
    return generator.standard_normal(count)


class _Deck:
    """One draw of each cause, whatever it enters; equal ids are one cause."""

    def __init__(self, count: int, seed: int) -> None:
        self.count = count
        self.generator = np.random.default_rng(seed)
        self._drawn: dict[str, FloatArray] = {}

    def of(self, source_id: str, distribution: Distribution = Distribution.NORMAL) -> FloatArray:
        if source_id not in self._drawn:
            self._drawn[source_id] = draw(distribution, self.count, self.generator)
        return self._drawn[source_id]

    def scattered(self, covariance: FloatArray) -> ComplexArray:
        """Return complex draws (count,) of a 2×2 covariance, which may be singular."""
        values, vectors = np.linalg.eigh(covariance)
        columns = vectors * np.sqrt(np.maximum(values, 0.0))  # an eigenvalue below zero is rounding
        parts = columns @ self.generator.standard_normal((2, self.count))
        return np.asarray(parts[0] + 1j * parts[1])

    def element(self, element: Element) -> FloatArray:
        """Return draws (count,) of an element known at one frequency."""
        value = np.full(self.count, element.value[0])
        for error in element.errors:
            value = value + error.change[0] * self.of(error.id, error.distribution)
        return value


def _drawn_impedance(point: ImpedanceSweep, deck: _Deck) -> ComplexArray:
    z = point.impedance_ohm[0] + deck.scattered(point.scatter[0])
    for source in point.sources:
        z = z + source.sensitivity[0] * deck.of(source.id, source.distribution)
    return np.asarray(z)


def _drawn_permeability(
    point: ImpedanceSweep, impedance_ohm: ComplexArray, specimen: Specimen, deck: _Deck
) -> ComplexArray:
    """Return μ = {1/(1/Z − jωC) − R − jωL}/(jωL0) of drawn Z, C, R, L and L0, (count,)."""
    model = winding_seen(point, specimen)
    omega = 2 * np.pi * point.frequency_hz[0]
    shunted = 1 / impedance_ohm - 1j * omega * deck.element(model.capacitance_f) - model.conductance_s[0]
    series = deck.element(model.resistance_ohm) + 1j * omega * deck.element(model.inductance_h)
    air = np.full(deck.count, air_inductance_h(specimen, point.wiring == Wiring.TWO_WINDINGS))
    for name, change in core_geometry(specimen).relative_sources:
        air = air * (1 + change * deck.of(name))
    return np.asarray((1 / shunted - series) / (1j * omega * air))


def _interval(functional: Functional, values: FloatArray) -> DrawnInterval:
    below, p = 0.025, np.sqrt(0.025 * 0.975 / values.size)
    quantiles = np.quantile(values, [below, 1 - below, below - p, below + p, 1 - below - p, 1 - below + p])
    low, high, *beside = (float(quantile) for quantile in quantiles)
    return DrawnInterval(
        functional,
        low,
        high,
        float(values.mean()),
        float(values.std(ddof=1)),
        max(beside[1] - beside[0], beside[3] - beside[2]) / 2,
    )


def monte_carlo(
    sweep: ImpedanceSweep,
    specimen: Specimen,
    functionals: Sequence[Functional],
    frequency_hz: float,
    draws: int,
    seed: int = 1,
) -> tuple[DrawnInterval, ...]:
    """Draw every source at one measured frequency through the whole chain.

    Parameters
    ----------
    sweep : ImpedanceSweep
    specimen : Specimen
        A closed core where a functional of μ is asked for.
    functionals : sequence of Functional
    frequency_hz : float
        One of the measured frequencies.
    draws : int
        M, 1,000 to 1,000,000; JCGM 101:2008, 7.2.2 recommends 200,000 and more for 95 %.
    seed : int
        Equal seeds give equal intervals.

    Returns
    -------
    tuple of DrawnInterval
        One for each functional, all from the same draws.

    Raises
    ------
    AnalysisError
        Too few or too many draws; a frequency that was not measured; a rod.
    """
    if not FEWEST <= draws <= MOST:
        raise AnalysisError(
            "this number of draws says nothing or takes all memory",
            where="draws",
            got=f"{draws}",
            allowed=f"{FEWEST} to {MOST}",
        )
    here = frequency_index(sweep.frequency_hz, frequency_hz)
    point = sweep.at(slice(here, here + 1))
    deck = _Deck(draws, seed)
    z = _drawn_impedance(point, deck)
    drawn = {False: z}
    if any(functional.of_permeability for functional in functionals):
        drawn[True] = _drawn_permeability(point, z, specimen, deck)
    intervals = []
    for functional in functionals:
        values = functional.value(drawn[functional.of_permeability], point.frequency_hz)
        if functional.period is not None:  # of Z alone: count from the measured one
            centre = functional.value(point.impedance_ohm, point.frequency_hz)[0]
            values = functional.near(values, float(centre))
        intervals.append(_interval(functional, values))
    return tuple(intervals)
