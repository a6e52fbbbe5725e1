"""From impedance to permeability and back, with every source of error carried over.

The specimen is a capacitance C_w (and conductance G_w) across the series of winding resistance R_w, stray
inductance L_s and the core jωL0μ, so

    μ = {1/(Y − jωC_w − G_w) − R_w − jωL_s}/(jωL0),   Y = 1/Z,   L0 = μ0 N²/C1.

A sweep whose calibration calls the same winding without a core zero (plane "empty winding") has lost that
winding's own impedance, jωL0 among it. It is put back as the model has it and taken off again, so that
without a capacitance μ = Z/(jωL0) + 1 remains, in which copper and leads have no part.

A known air gap is **not** taken off: the permeability is the effective one of the core as it lies on the
bench. Nothing is clamped; a negative loss inside its interval stays negative.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.impedance import require_covariance, require_curve
from whichcore.analysis.specimen import Rod, Specimen
from whichcore.analysis.types import (
    ComplexArray,
    ErrorSource,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
    Scope,
    Wiring,
)
from whichcore.analysis.uncertainty import merge_sources, propagate
from whichcore.analysis.winding import Element, WindingModel, winding_model
from whichcore.errors import AnalysisError

TERMINALS, EMPTY_WINDING = "terminals", "empty winding"
"""What a calibration called zero impedance; a sweep says it in its header as ``plane``."""

SELF_RESONANCE = "winding:self-resonance"
_SECANTS = np.array([-2.0, -1.5, -1.0, -0.5, 0.5, 1.0, 1.5, 2.0])  # standard uncertainties
_LINEAR_UP_TO = 0.2  # κ


def air_inductance_h(specimen: Specimen, two_windings: bool = False) -> float:
    """Return L0, the inductance of the winding were the core of permeability 1, H: μ0 N²/C1.

    With ``two_windings`` it is the mutual inductance μ0 N1 N2/C1.

    Raises
    ------
    AnalysisError
        A rod has no L0; or the turns of the second winding are not stated.
    """
    turns = specimen.winding.turns
    if not two_windings:
        return core_geometry(specimen).effective.inductance_factor_h * turns**2
    second = specimen.winding.secondary_turns
    if second is None:
        raise AnalysisError(
            "the sweep was taken with two windings, the specimen states one",
            where="winding.secondary_turns",
            got="nothing",
            allowed="a whole number, 1 or more",
            next_step="add secondary_turns to the specimen file",
        )
    return core_geometry(specimen).effective.inductance_factor_h * turns * second


@dataclass(frozen=True, slots=True)
class WindingLayers:
    """The impedance of a specimen, layer by layer, (F,) each: terminals, inside C_w, core; and jωL0.

    ``empty`` is that of the winding without a core at the terminals, and ``restored`` the change of
    ``inner`` with that of the winding inside its capacitance, where the calibration had taken it off; both
    zero where it had not.
    """

    terminals: ComplexArray
    inner: ComplexArray
    core: ComplexArray
    air: ComplexArray
    omega: FloatArray
    empty: ComplexArray
    restored: ComplexArray

    @property
    def permeability(self) -> ComplexArray:
        """μ of the core."""
        return self.core / self.air


def _bare(element: Element) -> Element:
    return Element(np.zeros_like(element.value))


def winding_seen(sweep: ImpedanceSweep, specimen: Specimen) -> WindingModel:
    """Return what lies between the terminals of a sweep and the core.

    A second winding carries no current: neither copper nor leads are in its voltage. The capacitance still
    takes its current beside the core; seen from the second winding it is C_w N1/N2.
    """
    model = winding_model(specimen, sweep.frequency_hz, sweep.temperature_c)
    if sweep.wiring != Wiring.TWO_WINDINGS:
        return model
    ratio = specimen.winding.turns / (specimen.winding.secondary_turns or 1)
    errors = tuple(replace(error, change=ratio * error.change) for error in model.capacitance_f.errors)
    return replace(
        model,
        resistance_ohm=_bare(model.resistance_ohm),
        inductance_h=_bare(model.inductance_h),
        capacitance_f=replace(model.capacitance_f, value=ratio * model.capacitance_f.value, errors=errors),
    )


def _took_the_winding_off(sweep: ImpedanceSweep) -> bool:
    """Tell whether the calibration called the empty winding zero; raises AnalysisError for another plane."""
    plane = sweep.notes.get("plane", TERMINALS)
    if plane not in {TERMINALS, EMPTY_WINDING}:
        raise AnalysisError(
            "unknown plane of the sweep",
            where="plane",
            got=plane,
            allowed=f"{TERMINALS}, {EMPTY_WINDING}",
            next_step="correct the header line of the sweep file",
        )
    return plane == EMPTY_WINDING


def _empty_winding(
    model: WindingModel, omega: FloatArray, air: ComplexArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return the winding without a core at the terminals, (F,), and its change with what is inside C_w."""
    inside = model.resistance_ohm.value + 1j * omega * model.inductance_h.value + air
    outside = 1 / (1 / inside + 1j * omega * model.capacitance_f.value + model.conductance_s)
    return np.asarray(outside), np.asarray((outside / inside) ** 2)


def strip_winding(sweep: ImpedanceSweep, model: WindingModel, air_h: float) -> WindingLayers:
    """Return what is left of a sweep under capacitance, copper and stray inductance, point by point."""
    omega = np.asarray(2 * np.pi * sweep.frequency_hz)
    air = np.asarray(1j * omega * air_h)
    empty, slope = np.zeros_like(air), np.zeros_like(air)
    if _took_the_winding_off(sweep):
        empty, slope = _empty_winding(model, omega, air)
    terminals = np.asarray(sweep.impedance_ohm + empty)
    inner_admittance: ComplexArray = np.asarray(
        1 / terminals - 1j * omega * model.capacitance_f.value - model.conductance_s
    )
    if np.any(inner_admittance == 0):
        raise AnalysisError(
            "the winding capacitance alone explains the impedance",
            where=f"{sweep.frequency_hz[inner_admittance == 0][0]:g} Hz",
            next_step="check the winding capacitance, or measure with fewer turns",
        )
    inner = np.asarray(1 / inner_admittance, dtype=complex)
    core = inner - model.resistance_ohm.value - 1j * omega * model.inductance_h.value
    return WindingLayers(terminals, inner, core, air, omega, empty, slope * (inner / terminals) ** 2)


def _winding_sources(model: WindingModel, layers: WindingLayers) -> tuple[ErrorSource, ...]:
    """Return the sources of the winding: ∂μ/∂R = −1/jωL0, ∂μ/∂L = −1/L0, ∂μ/∂C = jωZ1²/jωL0.

    Where the calibration took the empty winding off, what is put back moves with each of them: 1 becomes
    1 − k with k = (Z1/Z)² (Z_e/Z_e1)², and Z1² becomes Z1² − (Z1/Z)² Z_e² (derived here).
    """
    own = layers.restored - 1
    squares = layers.inner**2 - (layers.inner / layers.terminals * layers.empty) ** 2
    derivatives = (
        (model.resistance_ohm, own / layers.air),
        (model.inductance_h, 1j * layers.omega * own / layers.air),
        (model.capacitance_f, 1j * layers.omega * squares / layers.air),
    )
    linear = tuple(
        ErrorSource(error.id, Scope.SWEEP, derivative * error.change, error.distribution)
        for element, derivative in derivatives
        for error in element.errors
    )
    return linear + _self_resonance(model.capacitance_f, layers)


def _self_resonance(capacitance: Element, layers: WindingLayers) -> tuple[ErrorSource, ...]:
    """Return what the derivative by C_w leaves out near the self-resonance of the winding.

    With κ = ω|Z1|u(C_w) above 0.2, intervals made from the derivative miss the truth too often
    (benchmarks/coverage.py --many-turns). From there on this source raises each part of the uncertainty to
    half the largest finite change over ± two standard uncertainties of C_w (derived here).
    """
    change = np.sqrt(sum((error.change**2 for error in capacitance.errors), np.zeros_like(layers.omega)))
    step = 1j * layers.omega * change
    near = abs(step * layers.inner) >= _LINEAR_UP_TO
    if not near.any():
        return ()
    linear = step * layers.inner**2 / layers.air
    moved = (1 / (1 / layers.inner - _SECANTS[:, np.newaxis] * step) - layers.inner) / layers.air
    real, imaginary = (
        np.sqrt(np.maximum((whole**2).max(axis=0) / 4 - part**2, 0.0))
        for whole, part in ((moved.real, linear.real), (moved.imag, linear.imag))
    )
    rest = np.copysign(real, linear.real) + 1j * np.copysign(imaginary, linear.imag)
    return (ErrorSource(SELF_RESONANCE, Scope.SWEEP, np.where(near, rest, 0.0)),)


def _geometry_sources(specimen: Specimen, layers: WindingLayers) -> tuple[ErrorSource, ...]:
    """Return the sources of L0: a relative change d of L0 changes μ by −μ d, or by (k − μ) d (see above)."""
    slope = layers.restored - layers.permeability
    return tuple(
        ErrorSource(name, Scope.SWEEP, slope * change)
        for name, change in core_geometry(specimen).relative_sources
    )


def permeability(
    sweep: ImpedanceSweep, specimen: Specimen, winding: WindingModel | None = None
) -> PermeabilitySpectrum:
    """Return the complex effective permeability of a wound core over frequency.

    Parameters
    ----------
    sweep : ImpedanceSweep
        Impedance in Ω at the terminals; of wiring "two-windings" the quotient of secondary voltage and
        primary current. With ``notes["plane"]`` "empty winding" it is what the core adds to its winding.
    specimen : Specimen
    winding : WindingModel or None
        What is taken off; None: what :func:`winding_seen` says.

    Returns
    -------
    PermeabilitySpectrum
        The sources of the sweep keep ids, scopes and shapes and are carried over by
        ∂μ/∂Z = (Z1/Z)²/(jωL0) with Z1 the impedance inside the winding capacitance. Added, scope SWEEP:
        ``winding:resistance``, ``winding:proximity``, ``winding:stray-inductance``,
        ``winding:loop-inductance``, ``winding:capacitance``, ``dimension:…`` and ``model:…``. First order in
        all of them; where ω|Z1|u(C_w) is above 0.2, near the self-resonance of the winding,
        ``winding:self-resonance`` makes up for what that leaves out. Where it is above 1 the interval still
        misses the truth too often.

    Raises
    ------
    AnalysisError
        The core is a rod; the curve is not one (lengths, zeros, NaN); two windings without their turns; an
        unknown plane.
    """
    require_curve(sweep.frequency_hz, sweep.impedance_ohm)
    require_covariance(sweep.frequency_hz, sweep.scatter)
    if isinstance(specimen.core, Rod):
        raise AnalysisError(
            "a rod shows its shape rather than its material: no permeability curve follows from a sweep",
            where="core.shape",
            got="rod",
            allowed="a closed core",
            next_step="give one inductance reading, or compare with a known rod in the same coil",
        )
    model = winding_seen(sweep, specimen) if winding is None else winding
    layers = strip_winding(sweep, model, air_inductance_h(specimen, sweep.wiring == Wiring.TWO_WINDINGS))
    derivative = (layers.inner / layers.terminals) ** 2 / layers.air
    scatter, carried = propagate(sweep.scatter, sweep.sources, derivative)
    return PermeabilitySpectrum(
        frequency_hz=sweep.frequency_hz,
        permeability=layers.permeability,
        scatter=scatter,
        sources=merge_sources(
            carried,
            _winding_sources(model, layers),
            _geometry_sources(specimen, layers),
        ),
        flux_density_t=sweep.flux_density_t,
        temperature_c=sweep.temperature_c,
        range_labels=sweep.range_labels,
    )


def impedance_of(permeability: ArrayLike, frequency_hz: ArrayLike, specimen: Specimen) -> ComplexArray:
    """Return the impedance at the terminals of a core of given permeability, the forward direction, Ω.

    Parameters
    ----------
    permeability : complex array (F,)
        Effective μ = μ′ − jμ″.
    frequency_hz : float array (F,)
        > 0.
    specimen : Specimen
        A closed core.

    Returns
    -------
    complex array (F,)

    Raises
    ------
    AnalysisError
        The core is a rod.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    omega = 2 * np.pi * frequency
    model = winding_model(specimen, frequency)
    inner = (
        1j * omega * (air_inductance_h(specimen) * np.asarray(permeability) + model.inductance_h.value)
        + model.resistance_ohm.value
    )
    return np.asarray(1 / (1 / inner + 1j * omega * model.capacitance_f.value + model.conductance_s))
