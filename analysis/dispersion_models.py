"""The laws of dispersion as models to be fitted: parameters, bounds by passivity, starts.

Every law here is linear in its strengths, μ = offset + Σ K_n g_n(f; shape), with g_n(0) = 1. The formulas
are those of :mod:`whichcore.analysis.dispersion`, which names their sources. Each law is passive and causal
for every set of parameters inside its bounds.

Ribbon and sphere depend on size and resistivity only by the frequency at which the skin depth δ equals the
thickness d or the radius a: f_w = ρ/(π μ0 μ d²), from δ² = ρ/(π f μ0 μ) (derived here). So f_w is what a
curve can tell; a size follows from it once the resistivity is stated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.constants import mu_0

from whichcore.analysis import dispersion
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import InputError

#: Frequencies may lie this far outside the band, strengths and dampings this far from the data's size.
REACH = 1e4
_LARGEST_SPREAD = 0.95
_UNIT_RESISTIVITY = 1.0
_PER_DECADE = 3


@dataclass(frozen=True, slots=True)
class Span:
    """What bounds and starts are drawn from: the band of the data, Hz, and the largest size of μ."""

    low_hz: float
    high_hz: float
    size: float


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of a law.

    Attributes
    ----------
    name, symbol, unit : str
    low, high : float
        Bounds, in the unit.
    logarithmic : bool
        Fitted in its logarithm; else as it is.
    """

    name: str
    symbol: str
    unit: str
    low: float
    high: float
    logarithmic: bool = True

    @property
    def bounds(self) -> tuple[float, float]:
        """Bounds of what is fitted."""
        return (
            (float(np.log(self.low)), float(np.log(self.high))) if self.logarithmic else (self.low, self.high)
        )

    def inside(self, value: float) -> float:
        """Return what is fitted for a value."""
        return float(np.log(value)) if self.logarithmic else value

    def outside(self, inner: float) -> float:
        """Return the value for what is fitted."""
        return float(np.exp(inner)) if self.logarithmic else inner


@dataclass(frozen=True, slots=True)
class Derived:
    """A quantity that follows from the parameters of a law: name, symbol, unit and its formula."""

    name: str
    symbol: str
    unit: str
    formula: Callable[[FloatArray], float]


@dataclass(frozen=True, slots=True)
class Law:
    """One law of dispersion, ready to be fitted.

    Attributes
    ----------
    name : str
        What the command calls it.
    title : str
        For people.
    offset : float
        μ where all strengths are zero.
    strengths : tuple of str
        Names of the strengths; they come first among the parameters.
    shape : callable (Span) -> tuple of Parameter
        The other parameters.
    basis : callable (frequency (F,), shape values) -> complex array (n, F)
        g_n, one for each strength.
    grid : callable (Span) -> list of lists of tuples
        Shape values to start from, in groups of one look; the best of each group is followed down.
    derived : tuple of Derived
    """

    name: str
    title: str
    offset: float
    strengths: tuple[tuple[str, str], ...]
    shape: Callable[[Span], tuple[Parameter, ...]]
    basis: Callable[[FloatArray, tuple[float, ...]], ComplexArray]
    grid: Callable[[Span], list[list[tuple[float, ...]]]]
    derived: tuple[Derived, ...] = ()

    @property
    def shape_count(self) -> int:
        """Number of the parameters that are no strengths."""
        return len(self.shape(Span(1.0, 1.0, 1.0)))

    def parameters(self, span: Span) -> tuple[Parameter, ...]:
        """Return all parameters with their bounds for data of this span."""
        reach = span.size / REACH, span.size * REACH
        return tuple(Parameter(name, symbol, "", *reach) for name, symbol in self.strengths) + self.shape(
            span
        )

    def permeability(self, frequency_hz: FloatArray, values: FloatArray) -> ComplexArray:
        """Return μ = μ′ − jμ″ (F,) for parameter values (k,)."""
        count = len(self.strengths)
        shape = tuple(float(value) for value in values[count:])
        return np.asarray(self.offset + values[:count] @ self.basis(frequency_hz, shape), np.complex128)


def _hertz(span: Span, name: str, symbol: str) -> Parameter:
    return Parameter(name, symbol, "Hz", span.low_hz / REACH, span.high_hz * REACH)


def _ladder(span: Span, beyond: float) -> list[float]:
    low, high = span.low_hz / beyond, span.high_hz * beyond
    rungs = 1 + int(np.ceil(_PER_DECADE * np.log10(high / low)))
    return [float(f) for f in np.geomspace(low, high, rungs)]


def _corners(span: Span) -> list[list[tuple[float, ...]]]:
    return [[(f,) for f in part.tolist()] for part in np.array_split(_ladder(span, 10.0), 3)]


def _static(values: FloatArray, strengths: int) -> float:
    return 1.0 + float(np.sum(values[:strengths]))


def _one(function: Callable[[FloatArray, float], ComplexArray]) -> Callable[..., ComplexArray]:
    return lambda f, shape: np.atleast_2d(function(f, *shape))


def _wall_spin_basis(f: FloatArray, shape: tuple[float, ...]) -> ComplexArray:
    f_d, beta, f_s, alpha = shape
    return np.stack(
        [
            dispersion.wall_susceptibility(f, dispersion.WallResonance(1.0, f_d, beta)),
            dispersion.spin_susceptibility(f, dispersion.SpinResonance(1.0, f_s, alpha)),
        ]
    )


def _wall_spin_shape(span: Span) -> tuple[Parameter, ...]:
    return (
        _hertz(span, "wall_frequency", "f_d"),
        _hertz(span, "wall_damping", "β"),
        _hertz(span, "spin_frequency", "f_s"),
        Parameter("spin_damping", "α", "", 1 / REACH, REACH),
    )


def _wall_spin_grid(span: Span) -> list[list[tuple[float, ...]]]:
    """Return groups of one damping each; an overdamped spin term is started from its corner f_s/α."""
    corners = list(product(_ladder(span, 2.0), _ladder(span, 5.0)))
    return [
        [(wall, wall * damping, corner * max(alpha, 1.0), alpha) for wall, corner in corners]
        for damping, alpha in product((0.7, 3.0, 12.0), (0.7, 4.0, 60.0))
    ]


def _ribbon(f: FloatArray, skin_hz: float) -> ComplexArray:
    thickness = np.sqrt(_UNIT_RESISTIVITY / (np.pi * mu_0 * skin_hz))
    return dispersion.ribbon(f, 1.0, _UNIT_RESISTIVITY, thickness)


def _sphere(f: FloatArray, skin_hz: float) -> ComplexArray:
    radius = np.sqrt(_UNIT_RESISTIVITY / (np.pi * mu_0 * skin_hz))
    return dispersion.conducting_sphere(f, 1.0, _UNIT_RESISTIVITY, radius)


def _relaxing(strengths: int) -> Derived:
    return Derived("static_permeability", "μ(0)", "", lambda values: _static(values, strengths))


RELAXATION = Law(
    "relaxation", "one relaxation", 1.0, (("strength", "K"),),
    lambda span: (_hertz(span, "corner", "f_r"),),
    _one(lambda f, corner: dispersion.relaxation_susceptibility(f, 1.0, corner)),
    _corners,
    (_relaxing(1),),
)  # fmt: skip
COLE_COLE = Law(
    "cole-cole", "spread relaxation", 1.0, (("strength", "K"),),
    lambda span: (
        _hertz(span, "corner", "f_r"),
        Parameter("spread", "a", "", 0.0, _LARGEST_SPREAD, logarithmic=False),
    ),
    lambda f, shape: np.atleast_2d(dispersion.cole_cole_susceptibility(f, 1.0, *shape)),
    lambda span: [list(product(_ladder(span, 10.0), (a,))) for a in (0.02, 0.2, 0.5)],
    (_relaxing(1),),
)  # fmt: skip
WALL_AND_SPIN = Law(
    "wall-and-spin", "domain walls and spin resonance", 1.0,
    (("wall_strength", "K_d"), ("spin_strength", "K_s")),
    _wall_spin_shape, _wall_spin_basis, _wall_spin_grid,
    (
        _relaxing(2),
        Derived("wall_corner", "f_d²/β", "Hz", lambda v: float(v[2] ** 2 / v[3])),
        Derived("spin_corner", "f_s/α", "Hz", lambda v: float(v[4] / v[5])),
    ),
)  # fmt: skip
RIBBON = Law(
    "ribbon", "eddy currents in a ribbon", 0.0, (("initial_permeability", "μi"),),
    lambda span: (_hertz(span, "skin_frequency", "f_w"),),
    _one(_ribbon), _corners,
)  # fmt: skip
SPHERE = Law(
    "sphere", "eddy currents in round particles", 0.0, (("permeability", "μ"),),
    lambda span: (_hertz(span, "skin_frequency", "f_w"),),
    _one(_sphere), _corners,
)  # fmt: skip

LAWS: Mapping[str, Law] = {law.name: law for law in (RELAXATION, WALL_AND_SPIN, COLE_COLE, RIBBON, SPHERE)}


def skin_size_m(law: Law, resistivity_ohm_m: float) -> Derived:
    """Return thickness (ribbon) or radius (sphere) as a quantity that follows from μ and f_w.

    Parameters
    ----------
    law : Law
        RIBBON or SPHERE.
    resistivity_ohm_m : float
        Of the metal, taken as exact.

    Returns
    -------
    Derived
        √(ρ/(π μ0 μ f_w)), m. Of a core made of particles the μ fitted is that of the whole; with the larger
        one of the particle itself the radius would come out smaller.

    Raises
    ------
    InputError
        The resistivity is not positive, or the law has no size.
    """
    if law.name not in {"ribbon", "sphere"} or not 0 < resistivity_ohm_m < np.inf:
        raise InputError(
            "a size follows from the resistivity of a metal, for ribbon and sphere alone",
            where="resistivity",
            got=f"{resistivity_ohm_m:g} ohm m, {law.name}",
            allowed="> 0 ohm m",
        )
    name, symbol = ("thickness", "d") if law.name == "ribbon" else ("radius", "a")

    def size_m(values: FloatArray) -> float:
        return float(np.sqrt(resistivity_ohm_m / (np.pi * mu_0 * values[0] * values[1])))

    return Derived(name, symbol, "m", size_m)
