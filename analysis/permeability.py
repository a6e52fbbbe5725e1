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
from whichcore.analysis.open_circuit import ROD_WARNING, rod_permeability
from whichcore.analysis.specimen import Rod, Specimen
from whichcore.analysis.types import (
    ComplexArray,
    ErrorSource,
    FloatArray,
    ImpedanceSweep,
    PermeabilitySpectrum,
    Reading,
    ReadingKind,
    Scope,
    Wiring,
)
from whichcore.analysis.uncertainty import merge_sources, propagate
from whichcore.analysis.winding import Element, WindingModel, winding_model
from whichcore.errors import AnalysisError

TERMINALS, EMPTY_WINDING = "terminals", "empty winding"
"""What a calibration called zero impedance; a sweep says it in its header as ``plane``."""

READING_UNCERTAINTY = 0.02
"""Relative standard uncertainty of a reading that states none; practice, no source."""

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
class _Layers:
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


def _strip(sweep: ImpedanceSweep, model: WindingModel, air_h: float) -> _Layers:
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
    return _Layers(terminals, inner, core, air, omega, empty, slope * (inner / terminals) ** 2)


def _winding_sources(model: WindingModel, layers: _Layers) -> tuple[ErrorSource, ...]:
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


def _self_resonance(capacitance: Element, layers: _Layers) -> tuple[ErrorSource, ...]:
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


def _geometry_sources(specimen: Specimen, layers: _Layers) -> tuple[ErrorSource, ...]:
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
    layers = _strip(sweep, model, air_inductance_h(specimen, sweep.wiring == Wiring.TWO_WINDINGS))
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


# ------------------------------------------------------------------------------------------- readings


@dataclass(frozen=True, slots=True)
class ReadingPermeability:
    """What one reading says of the permeability.

    Attributes
    ----------
    kind : ReadingKind
        INDUCTANCE: ``permeability`` is μ′. IMPEDANCE_MAGNITUDE: it is |μ|.
    frequency_hz : float
    permeability : float
    own_uncertainty : float
        Standard uncertainty from the reading itself.
    common : tuple of (str, float)
        Sources of winding and shape, which other data of the specimen share: id, and change of
        ``permeability`` for one standard uncertainty.
    notes : tuple of str
        What was assumed.
    """

    kind: ReadingKind
    frequency_hz: float
    permeability: float
    own_uncertainty: float
    common: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()
    flux_density_t: float | None = None

    @property
    def standard_uncertainty(self) -> float:
        """Everything together."""
        return float(np.hypot(self.own_uncertainty, np.hypot.reduce([change for _, change in self.common])))


def _stated_uncertainty(reading: Reading) -> tuple[float, tuple[str, ...]]:
    """Return the standard uncertainty of a reading in its unit, and a note where it was assumed."""
    if reading.standard_uncertainty is not None:
        return reading.standard_uncertainty, ()
    note = (
        f"the {reading.kind.value} reading at {reading.frequency_hz:g} Hz states no uncertainty: "
        f"{READING_UNCERTAINTY:.0%} was taken"
    )
    return READING_UNCERTAINTY * abs(reading.value), (note,)


def _at_phase(reading: Reading, specimen: Specimen, phase: float) -> PermeabilitySpectrum:
    """Return the spectrum of one point with the reading as |Z| of a given phase.

    The scatter is that of the size of Z alone.
    """
    uncertainty, _ = _stated_uncertainty(reading)
    omega = 2 * np.pi * reading.frequency_hz
    scale = omega if reading.kind is ReadingKind.INDUCTANCE else 1.0
    along = np.array([np.cos(phase), np.sin(phase)])
    return permeability(
        ImpedanceSweep(
            frequency_hz=np.array([reading.frequency_hz], dtype=float),
            impedance_ohm=np.array([scale * reading.value * np.exp(1j * phase)]),
            scatter=(scale * uncertainty) ** 2 * np.outer(along, along)[np.newaxis],
        ),
        specimen,
    )


def _phase_spread(reading: Reading, specimen: Specimen) -> float:
    """Return the standard uncertainty of |μ| from not knowing the phase of Z: 0° to 90°, rectangular."""
    sizes = [
        abs(_at_phase(reading, specimen, phase).permeability[0]) for phase in (0.0, np.pi / 4, np.pi / 2)
    ]
    return float((max(sizes) - min(sizes)) / np.sqrt(12))


def permeability_of_reading(reading: Reading, specimen: Specimen) -> ReadingPermeability:
    """Return what one meter reading says of the effective permeability.

    Parameters
    ----------
    reading : Reading
        Series inductance in H, or |Z| in Ω.
    specimen : Specimen

    Returns
    -------
    ReadingPermeability
        An inductance gives μ′; the loss, which the meter does not tell, is taken as zero where the winding
        capacitance is removed. |Z| gives |μ|, taken at a phase of 45°; the spread from 0° to 90°, which
        matters only where copper or capacitance do, is part of its own uncertainty. A reading without a
        stated uncertainty gets 2 % and a note. A rod is judged by its inductance against the empty coil.

    Raises
    ------
    AnalysisError
        The reading is not positive, or a rod shows too little of its material for a value.
    """
    if not (0 < reading.value < np.inf and 0 < reading.frequency_hz < np.inf):
        raise AnalysisError(
            "a reading must be positive and finite",
            where=f"{reading.kind.value} reading",
            got=f"{reading.value:g} at {reading.frequency_hz:g} Hz",
            allowed="> 0",
        )
    if isinstance(specimen.core, Rod):
        return _rod_reading(reading, specimen.core)
    uncertainty_notes = _stated_uncertainty(reading)[1]
    magnitude = reading.kind is ReadingKind.IMPEDANCE_MAGNITUDE
    spectrum = _at_phase(reading, specimen, np.pi / 4 if magnitude else np.pi / 2)
    mu = spectrum.permeability[0]
    direction = mu / abs(mu) if magnitude else 1.0 + 0j
    axis = np.array([direction.real, direction.imag])
    own = float(np.sqrt(axis @ spectrum.scatter[0] @ axis))
    notes: tuple[str, ...] = ()
    if magnitude:
        own = float(np.hypot(own, _phase_spread(reading, specimen)))
        notes = (f"|Z| at {reading.frequency_hz:g} Hz says |μ|, not μ′: the phase is unknown",)
    return ReadingPermeability(
        kind=reading.kind,
        frequency_hz=reading.frequency_hz,
        permeability=float((mu * direction.conjugate()).real),
        own_uncertainty=own,
        common=tuple(
            (source.id, float((source.sensitivity[0] * direction.conjugate()).real))
            for source in spectrum.sources
        ),
        notes=uncertainty_notes + notes,
        flux_density_t=reading.flux_density_t,
    )


def _rod_reading(reading: Reading, rod: Rod) -> ReadingPermeability:
    uncertainty, notes = _stated_uncertainty(reading)
    scale = 1.0 if reading.kind is ReadingKind.INDUCTANCE else 1 / (2 * np.pi * reading.frequency_hz)
    found = rod_permeability(rod, scale * reading.value, uncertainty / reading.value)
    if found.permeability is None or found.standard_uncertainty is None:
        raise AnalysisError(
            "the rod hides its material: the reading only bounds the permeability from below",
            where=f"{reading.kind.value} reading",
            got=f"apparent permeability {found.apparent:.4g}",
            allowed=f"μ above {found.lower_bound:.4g}",
            next_step="compare with a known rod in the same coil",
        )
    return ReadingPermeability(
        kind=reading.kind,
        frequency_hz=reading.frequency_hz,
        permeability=found.permeability,
        own_uncertainty=found.standard_uncertainty,
        notes=(*notes, ROD_WARNING),
    )


# ------------------------------------------------------------------------------------------ flux density


def terminal_voltage_vrms(impedance_ohm: ArrayLike, emf_vrms: ArrayLike, series_ohm: complex) -> FloatArray:
    """Return the voltage across the specimen, V rms: |Z/(Z + Z_series)| of the source's open-circuit voltage.

    Parameters
    ----------
    impedance_ohm : complex array (F,)
    emf_vrms : float or float array (F,)
        Open-circuit voltage of the source.
    series_ohm : complex
        Source resistance and shunt together, Ω.
    """
    impedance = np.asarray(impedance_ohm)
    return np.asarray(np.asarray(emf_vrms) * np.abs(impedance / (impedance + series_ohm)))


def core_voltage_vrms(
    impedance_ohm: ArrayLike, frequency_hz: ArrayLike, terminal_vrms: ArrayLike, specimen: Specimen
) -> FloatArray:
    """Return the voltage induced by the core's flux, V rms: |I Z_core| without copper and stray inductance.

    Parameters
    ----------
    impedance_ohm : complex array (F,)
        At the terminals.
    frequency_hz : float array (F,)
    terminal_vrms : float or float array (F,)
        Voltage across the specimen.
    specimen : Specimen

    Raises
    ------
    AnalysisError
        As :func:`permeability`.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    impedance = np.asarray(impedance_ohm, dtype=complex)
    require_curve(frequency, impedance)
    sweep = ImpedanceSweep(frequency, impedance, np.zeros((frequency.size, 2, 2)))
    layers = _strip(sweep, winding_model(specimen, frequency), air_inductance_h(specimen))
    return np.asarray(np.asarray(terminal_vrms) * np.abs(layers.core / layers.inner))


def peak_flux_density_t(
    core_voltage_vrms: ArrayLike, frequency_hz: ArrayLike, specimen: Specimen, turns: int | None = None
) -> FloatArray:
    """Return the peak over time of the flux density, mean over the section, T: √2 V/(ω N A_e).

    Parameters
    ----------
    core_voltage_vrms : float or float array (F,)
        Induced voltage, V rms (:func:`core_voltage_vrms`, or that of a second winding).
    frequency_hz : float or float array (F,)
    specimen : Specimen
        A closed core.
    turns : int or None
        Of the winding the voltage belongs to; None: the primary.

    Returns
    -------
    float array (F,)
        The inner edge sees :func:`inner_edge_factor` times as much.
    """
    area = core_geometry(specimen).effective.area_m2
    omega = 2 * np.pi * np.asarray(frequency_hz, dtype=float)
    count = specimen.winding.turns if turns is None else turns
    return np.asarray(np.sqrt(2) * np.asarray(core_voltage_vrms) / (omega * count * area))


def inner_edge_factor(specimen: Specimen) -> float:
    """Return the largest flux density over the mean of the section (l_e/(π d2) for a ring)."""
    return core_geometry(specimen).peak_to_mean_flux
