"""What evidence on the class, not yet taken, would tell: each by the very law that will judge it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.after_effect import AfterEffect
from whichcore.analysis.evidence import VOLUME_UNCERTAINTY, Density
from whichcore.analysis.foresight import Knowledge
from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.information import information_of_table
from whichcore.analysis.materials import Material, MaterialClass
from whichcore.analysis.planned import costs
from whichcore.analysis.probe import SurfaceResistance
from whichcore.analysis.second_condition import HysteresisConstant, SecondReading, TemperatureFactor
from whichcore.analysis.specimen import Ring, Rod, Specimen
from whichcore.analysis.types import FloatArray, Resistance

#: Answers less probable than this do not count here.
_COUNTS = 1e-3
#: Resistances a probe may read, log10 of ohm, and the end of a hand meter's range. Practice.
_DECADES, _METER_END_OHM = np.linspace(-2.0, 7.3, 32), 20e6
#: Densities a scale may show, kg/m³.
_DENSITIES = np.linspace(2500.0, 9000.0, 40)
#: Temperature step of warming, K, and peak flux density of a second level over the first, T. Practice.
WARMER_K, HARDER_T = 20.0, 3e-3


class _Law(Protocol):
    """A piece of evidence, as far as it has a likelihood."""

    def log_likelihood(self, material: Material) -> float:
        """Under a material."""

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Under an unlisted material of a class."""


def class_gains(specimen: Specimen, knowledge: Knowledge, permeability: float) -> Iterator[tuple[str, float]]:
    """Yield each action still possible with its expected information in bits.

    Parameters
    ----------
    specimen : Specimen
    knowledge : Knowledge
    permeability : float
        As measured, gap included.
    """
    answers = _Answers(knowledge)
    if not specimen.encased and specimen.surface_resistance is None:
        yield "resistance-probe", answers.gain(_probe(specimen, answers))
    if not specimen.encased and specimen.mass_kg is None and _has_volume(specimen):
        laws = [Density(float(value), VOLUME_UNCERTAINTY * float(value)) for value in _DENSITIES]
        yield "weigh", answers.gain(answers.table(laws))
    rest = _falls(answers, permeability, _scatter("wait"))
    warm = _rises(answers, TemperatureFactor, permeability, (WARMER_K, _scatter("warm")))
    yield "wait", answers.gain(rest)
    # after warming the slow fall is seen too
    yield "warm", answers.gain((warm[:, None] * rest[None, ::4]).reshape(-1, rest.shape[1]))
    level = _rises(answers, HysteresisConstant, permeability, (HARDER_T, _scatter("second-level")))
    yield "second-level", answers.gain(level)


class _Answers:
    """The answers that count: materials of some probability, and none of these."""

    def __init__(self, knowledge: Knowledge) -> None:
        counted: NDArray[np.int_] = np.flatnonzero(knowledge.probability[:-1] >= _COUNTS)
        self._materials = [knowledge.library.materials[i] for i in counted]
        self._open = {MaterialClass(name): p for name, p in knowledge.evidence.unlisted_classes.items()}
        self._probability = np.append(knowledge.probability[counted], knowledge.probability[-1])

    def table(self, laws: Sequence[_Law]) -> FloatArray:
        """Likelihood of each possible value under each answer, (Y, M)."""
        return np.array([self._row(law) for law in laws])

    def gain(self, table: FloatArray) -> float:
        """Return the expected information of a datum with this table of likelihoods, bits."""
        held = float(self._probability.sum())
        return held * information_of_table(self._probability / held, table)

    def _row(self, law: _Law) -> list[float]:
        listed = [float(np.exp(law.log_likelihood(material))) for material in self._materials]
        none = sum(
            p * np.exp(law.class_log_likelihood(name)) for name, p in self._open.items() if p > _COUNTS
        )
        return [*listed, float(none)]


def _scatter(action: str) -> float:
    return costs()[action].scatter or 0.0


def _has_volume(specimen: Specimen) -> bool:
    return isinstance(specimen.core, Rod) or core_geometry(specimen).metal_volume_m3 is not None


def _probe(specimen: Specimen, answers: _Answers) -> FloatArray:
    """Likelihoods of what a probe may read: densities per decade, and over range as one value."""
    coated = isinstance(specimen.core, Ring) and specimen.core.coating_thickness_m > 0
    plain = [SurfaceResistance(Resistance(float(10**decade)), coated) for decade in _DECADES]
    over = SurfaceResistance(Resistance(_METER_END_OHM, over_range=True), coated)
    width = float(_DECADES[1] - _DECADES[0])
    return np.concatenate([width * answers.table(plain), answers.table([over])])


def _rises(
    answers: _Answers,
    law: Callable[[SecondReading], _Law],
    permeability: float,
    setting: tuple[float, float],
) -> FloatArray:
    """Likelihoods of what a second reading may show, closest where changes are small."""
    step, scatter = setting
    rises = _steps_from(scatter, 0.4)
    laws = [law(SecondReading(permeability, float(rise), scatter, step)) for rise in rises]
    return answers.table(laws) * np.gradient(rises)[:, None]


def _falls(answers: _Answers, permeability: float, scatter: float) -> FloatArray:
    falls = _steps_from(scatter, 0.2)
    laws = [AfterEffect(permeability, float(fall), scatter) for fall in falls]
    return answers.table(laws) * np.gradient(falls)[:, None]


def _steps_from(scatter: float, most: float) -> FloatArray:
    """Return values from −most to most, as fine as the scatter about zero and wider apart outwards."""
    return np.asarray(scatter * np.sinh(np.linspace(-1, 1, 33) * np.arcsinh(most / scatter)))
