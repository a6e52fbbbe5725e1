"""What a sweep of a core would be known to, before it is taken: by a bench, or by a stated noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.accuracy import at_frequencies, measured_spectrum
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.permeability import air_inductance_h, impedance_of, permeability
from whichcore.analysis.plan_accuracy import PlanAccuracy
from whichcore.analysis.plan_band import HIGHEST_FLUX_T, STEPS
from whichcore.analysis.plan_point import PlanBench
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import (
    ComplexArray,
    FloatArray,
    ImpedanceAccuracy,
    ImpedanceSweep,
    PermeabilitySpectrum,
    Reach,
    Wiring,
)

#: Noise of a bench of which nothing is known: of |Z|, each part. Practice.
USUAL_NOISE = 0.01
_REACHED = tuple(Reach).index(Reach.REACHED)


class Forecast(Protocol):
    """What a sweep of any core at given frequencies would be known to."""

    @property
    def specimen(self) -> Specimen:
        """The wound core, but for its material."""

    def spectrum(
        self, frequency_hz: FloatArray, permeability_there: ComplexArray
    ) -> tuple[PermeabilitySpectrum, NDArray[np.bool_]]:
        """Return what would be measured, with its uncertainty, and where it can be measured at all, (F,)."""


@dataclass(frozen=True, slots=True)
class StatedNoise:
    """Independent noise of a share of |Z| on each part, beside what the specimen leaves open."""

    specimen: Specimen
    noise: float = USUAL_NOISE

    def spectrum(
        self, frequency_hz: FloatArray, permeability_there: ComplexArray
    ) -> tuple[PermeabilitySpectrum, NDArray[np.bool_]]:
        """Return what would be measured; everything can be."""
        z = impedance_of(permeability_there, frequency_hz, self.specimen)
        scatter = (self.noise * np.abs(z))[:, None, None] ** 2 * np.eye(2)
        sweep = ImpedanceSweep(frequency_hz, z, scatter)
        return permeability(sweep, self.specimen), np.ones(z.size, dtype=bool)


@dataclass(frozen=True, slots=True)
class BenchForecast:
    """A bench by its accuracy, in the wiring of one winding that suits a core best.

    Attributes
    ----------
    specimen : Specimen
    bench : PlanBench
    accuracy : PlanAccuracy
    """

    specimen: Specimen
    bench: PlanBench
    accuracy: PlanAccuracy

    def frequencies(self, wanted_hz: FloatArray) -> FloatArray:
        """Return those of some frequencies that the bench is known at, in any wiring."""
        return np.array([f for f in wanted_hz if self._laws(np.array([f]))])

    def _laws(self, frequency_hz: FloatArray) -> list[ImpedanceAccuracy]:
        """Return the first accuracy of each wiring that holds at all frequencies, taken there."""
        found: dict[Wiring, ImpedanceAccuracy] = {}
        for item in self.accuracy.maps:
            usable = item.wiring is not Wiring.TWO_WINDINGS and item.wiring not in found
            there = at_frequencies(item.accuracy, frequency_hz) if usable else None
            if there is not None:
                found[item.wiring] = there
        return list(found.values())

    def spectrum(
        self, frequency_hz: FloatArray, permeability_there: ComplexArray
    ) -> tuple[PermeabilitySpectrum, NDArray[np.bool_]]:
        """Return what would be measured in the wiring that loses fewest points, then leaves least open."""
        level = self._level_vpp(frequency_hz, permeability_there)
        best: tuple[tuple[int, float], PermeabilitySpectrum, NDArray[np.bool_]] | None = None
        for law in self._laws(frequency_hz):
            _, spectrum, reach = measured_spectrum(
                law, self.accuracy.reading, self.specimen, permeability_there, level
            )
            reached = reach == _REACHED
            spread = np.log(np.trace(spectrum.scatter, axis1=1, axis2=2) / np.abs(spectrum.permeability) ** 2)
            rank = int((~reached).sum()), float(spread[reached].mean()) if reached.any() else np.inf
            if best is None or rank < best[0]:
                best = rank, spectrum, reached
        if best is None:
            nothing = StatedNoise(self.specimen).spectrum(frequency_hz, permeability_there)[0]
            return nothing, np.zeros(frequency_hz.size, dtype=bool)
        return best[1], best[2]

    def _level_vpp(self, frequency_hz: FloatArray, mu: ComplexArray) -> FloatArray:
        """Return the level of the source: the flux density wanted, raised to lift the weaker channel.

        As the plan has it: 25 steps of the converter, up to 5 mT, within what the source gives.
        """
        geometry = core_geometry(self.specimen)
        omega = 2 * np.pi * frequency_hz
        z = impedance_of(mu, frequency_hz, self.specimen)
        core = np.abs(omega * air_inductance_h(self.specimen) * mu)
        mean_t = self.bench.flux_density_t / geometry.peak_to_mean_flux
        turns, area = self.specimen.winding.turns, geometry.effective.area_m2
        current = omega * turns * area * mean_t / core
        weaker = current * np.minimum(np.abs(z), self.bench.shunt_ohm)
        raised = np.clip(STEPS * self.bench.step_v / weaker, 1.0, HIGHEST_FLUX_T / self.bench.flux_density_t)
        emf = 2 * raised * current * np.abs(z + self.bench.shunt_ohm + self.bench.output_ohm)
        return np.asarray(np.clip(emf, *self.accuracy.reading.level_vpp))


def wider(forecast: Forecast) -> Forecast:
    """Return the forecast of a bench that reaches any frequency: the usual noise."""
    return StatedNoise(forecast.specimen)


def sharper(forecast: Forecast) -> Forecast:
    """Return the forecast without any noise of the bench, on dimensions known exactly."""
    exact = replace(forecast.specimen, dimension_uncertainties_m={})
    return StatedNoise(exact, 1e-4)
