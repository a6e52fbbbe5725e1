"""Real quantities read off a complex one: |Z|, phase, L, R, μ′, μ″, tan δ, each with its gradient.

A real function h of z = x + jy changes by δh = ∂h/∂x δx + ∂h/∂y δy = Re(g* δz) with g = ∂h/∂x + j ∂h/∂y
(JCGM 102:2011, 6.2.1, for one output; written with a complex gradient here). The functions are those of the
glossary; the derivatives are derived here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from whichcore.analysis.types import (
    ComplexArray,
    ErrorSource,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
)
from whichcore.errors import AnalysisError

Function = Callable[[ComplexArray, FloatArray], FloatArray]
Gradient = Callable[[ComplexArray, FloatArray], ComplexArray]


class Asked(StrEnum):
    """What a budget is asked of; each word stands for one or two real quantities."""

    PERMEABILITY = "permeability"
    IMPEDANCE = "impedance"
    INDUCTANCE = "inductance"
    LOSS_TANGENT = "loss-tangent"


@dataclass(frozen=True, slots=True)
class Functional:
    """A real function of a complex quantity.

    Attributes
    ----------
    id : str
        Name in files.
    symbol, unit : str
        As printed.
    of_permeability : bool
        Of μ, else of Z.
    value : callable
        Takes the complex quantity (N,) and the frequency in Hz (N,) or (1,), returns (N,).
    gradient : callable
        Takes the same, returns g (N,).
    period : float or None
        Of a value that goes round, in its unit.
    """

    id: str
    symbol: str
    unit: str
    of_permeability: bool
    value: Function
    gradient: Gradient
    period: float | None = None

    def near(self, values: FloatArray, nominal: float) -> FloatArray:
        """Return values (N,) of the turn that lies next to ``nominal``."""
        turn = self.period
        return values if turn is None else nominal + (values - nominal + turn / 2) % turn - turn / 2


def _omega(frequency_hz: FloatArray) -> FloatArray:
    return np.asarray(2 * np.pi * frequency_hz)


_DEGREE = 180 / np.pi

MU_REAL = Functional(
    "mu-real", "μ′", "", True, lambda z, _: z.real.copy(), lambda z, _: np.ones_like(z)
)  # fmt: skip
MU_IMAG = Functional("mu-imag", "μ″", "", True, lambda z, _: -z.imag, lambda z, _: np.full_like(z, -1j))
MAGNITUDE = Functional(
    "impedance-magnitude",
    "|Z|",
    "Ω",
    False,
    lambda z, _: np.abs(z),
    lambda z, _: np.asarray(z / np.abs(z), dtype=complex),
)
PHASE = Functional(
    "impedance-phase",
    "phase of Z",
    "°",
    False,
    lambda z, _: np.angle(z) * _DEGREE,
    lambda z, _: np.asarray(1j * z / np.abs(z) ** 2 * _DEGREE, dtype=complex),
    period=360.0,
)
INDUCTANCE = Functional(
    "inductance",
    "L",
    "H",
    False,
    lambda z, f: np.asarray(z.imag / _omega(f)),
    lambda z, f: np.ones_like(z) * 1j / _omega(f),
)
RESISTANCE = Functional(
    "resistance", "R", "Ω", False, lambda z, _: z.real.copy(), lambda z, _: np.ones_like(z)
)
LOSS_TANGENT = Functional(
    "loss-tangent",
    "tan δ",
    "",
    True,
    lambda z, _: -z.imag / z.real,
    lambda z, _: np.asarray(z.imag / z.real**2 - 1j / z.real, dtype=complex),
)
FUNCTIONALS = {
    Asked.PERMEABILITY: (MU_REAL, MU_IMAG),
    Asked.IMPEDANCE: (MAGNITUDE, PHASE),
    Asked.INDUCTANCE: (INDUCTANCE, RESISTANCE),
    Asked.LOSS_TANGENT: (LOSS_TANGENT,),
}


@dataclass(frozen=True, slots=True)
class RealCurve:
    """A real quantity over frequency, its errors stored as those of a complex one without imaginary part.

    So budgets, differences and covariances of :mod:`whichcore.analysis.uncertainty` serve it as they stand.

    Attributes
    ----------
    functional : Functional
    frequency_hz, value : float array (F,)
    scatter : float array (F, 2, 2)
        The variance stands at [:, 0, 0]; the rest is zero.
    sources : tuple of ErrorSource
        Real sensitivities, in the unit of the functional.
    """

    functional: Functional
    frequency_hz: FloatArray
    value: FloatArray
    scatter: FloatArray
    sources: tuple[ErrorSource, ...]

    @property
    def variance(self) -> FloatArray:
        """Everything together, (F,)."""
        return np.asarray(self.scatter[:, 0, 0] + sum(s.sensitivity.real**2 for s in self.sources))


def real_curve(functional: Functional, curve: ImpedanceSweep | PermeabilitySpectrum) -> RealCurve:
    """Carry scatter and sources of a complex curve through a real function of it, to first order.

    Parameters
    ----------
    functional : Functional
    curve : ImpedanceSweep or PermeabilitySpectrum
        Of the kind the functional is one of.

    Returns
    -------
    RealCurve
        Variance gᵀ V g of the scatter, sensitivity Re(g* s) of each source.

    Raises
    ------
    AnalysisError
        Another kind of curve, no points, or a frequency where the function has no value or no gradient.
    """
    of_permeability = isinstance(curve, PermeabilitySpectrum)
    if of_permeability is not functional.of_permeability:
        raise AnalysisError(
            "this quantity is not one of such a curve", where=functional.id, got=type(curve).__name__
        )
    z = curve.permeability if isinstance(curve, PermeabilitySpectrum) else curve.impedance_ohm
    frequency = np.asarray(curve.frequency_hz, dtype=float)
    _require_points(functional, frequency, z)
    value, gradient = functional.value(z, frequency), functional.gradient(z, frequency)
    parts = np.stack([gradient.real, gradient.imag], axis=-1)
    scatter = np.zeros((frequency.size, 2, 2))
    scatter[:, 0, 0] = np.einsum("fi,fij,fj->f", parts, curve.scatter, parts)
    sources = tuple(
        ErrorSource(
            s.id, s.scope, np.asarray((gradient.conj() * s.sensitivity).real, dtype=complex), s.distribution
        )
        for s in curve.sources
    )
    return RealCurve(functional, frequency, value, scatter, sources)


def _require_points(functional: Functional, frequency_hz: FloatArray, z: ComplexArray) -> None:
    if frequency_hz.size == 0:
        raise AnalysisError(
            "a budget needs a measured point", where=functional.id, got="none", allowed="at least one"
        )
    zero = z.real == 0 if functional is LOSS_TANGENT else np.abs(z) == 0
    lost = np.flatnonzero(~np.isfinite(z) | zero)
    if lost.size:
        raise AnalysisError(
            f"{functional.symbol} has no value with an uncertainty here",
            where=f"{frequency_hz[lost[0]]:g} Hz",
            got=f"{z[lost[0]]:g}",
            allowed="a finite complex number, not zero",
            next_step="take this frequency out of the sweep, or measure it again",
        )
