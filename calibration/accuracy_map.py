"""What a bench reaches over frequency and |Z|, from a calibration or from what is stated about its parts.

A small change of the error model, M → M + δM, moves Z = p/q by a quadratic in Z: with E = δM M⁻¹ the new
(p, q) is (1 + E)(p, q), so to first order

    δZ = E01 + (E00 − E11) Z − E10 Z²

(derived here). A cause is known for every impedance once its three coefficients are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.accuracy import impedance_errors, voltages_vpk
from whichcore.analysis.reading_noise import ReadingNoise
from whichcore.analysis.secondary_input import INPUT_CAPACITANCE, INPUT_RESISTANCE, LOAD_SHAPE, SecondaryLoad
from whichcore.analysis.types import (
    AccuracyMap,
    AccuracyPart,
    AccuracySource,
    ComplexArray,
    FloatArray,
    ImpedanceAccuracy,
    PhasorPair,
    RangeUncertainty,
    Scope,
    Wiring,
)
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.open_short import OpenShort
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.perturbation import Perturbation
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.shunt import RangeFactor, Shunt
from whichcore.calibration.standards import Load, Open, Short, Standard, nominal
from whichcore.errors import InputError

STANDARD_LEVEL_VPP = 2.0  # a linear part is measured as high as the usual ranges hold well
NOT_CALIBRATED = "not calibrated yet: from what the bench file states"
IMPEDANCES_OHM = np.geomspace(1e-2, 1e5, 71)
ALMOST_OPEN = 1e-9  # S: the finest admittance a nominal open is put in as


def model_accuracy(
    model: ErrorModel,
    shunt_ohm: float,
    ranges: RangeUncertainty,
    *,
    load: SecondaryLoad | None = None,
    origin: str = "",
) -> ImpedanceAccuracy:
    """Return what a calibration leaves open in any impedance.

    Parameters
    ----------
    model : ErrorModel
    shunt_ohm : float
        Nominal; it sets voltages, never results.
    ranges : RangeUncertainty
        Of the factors that tie the ranges.
    load : SecondaryLoad or None
        What channel A loads a second winding with; taken for equal turns.
    origin : str
        In words; left empty, the calibration's id.
    """
    sources = [_source(item, model.matrix) for item in model.perturbations]
    if load is not None and model.fingerprint.wiring is Wiring.TWO_WINDINGS:
        sources += _load_sources(load, model.frequency_hz)
    return ImpedanceAccuracy(
        wiring=model.fingerprint.wiring,
        shunt_ohm=shunt_ohm,
        frequency_hz=model.frequency_hz,
        matrix=model.matrix,
        sources=tuple(sources),
        ranges=ranges,
        calibrated=True,
        origin=origin or f"calibration {model.calibration_id}",
    )


def _source(item: Perturbation, matrix: ComplexArray) -> AccuracySource:
    e = item.matrix @ np.linalg.inv(matrix)
    coefficients = np.stack([e[:, 0, 1], e[:, 0, 0] - e[:, 1, 1], -e[:, 1, 0]], axis=-1)
    return AccuracySource(item.id, part_of(item.id), item.scope, coefficients, item.distribution)


def part_of(source_id: str) -> AccuracyPart:
    """Return which part of the bench an error source of a model belongs to; their ids tell."""
    for start, part in (
        ("standard ", AccuracyPart.STANDARDS),
        ("calibration ", AccuracyPart.CALIBRATION),
        ("channels: ", AccuracyPart.RANGES),
    ):
        if source_id.startswith(start):
            return part
    return AccuracyPart.SHUNT


def _load_sources(load: SecondaryLoad, frequency_hz: FloatArray) -> list[AccuracySource]:
    """Return the load of the second winding: δZ = Z² δY (see whichcore.analysis.secondary_input)."""
    jw = 2j * np.pi * frequency_hz
    changes = {
        INPUT_CAPACITANCE: jw * load.u_capacitance_f,
        INPUT_RESISTANCE: np.full_like(jw, -load.u_resistance / load.resistance_ohm),
    }
    zero = np.zeros_like(jw)
    return [
        AccuracySource(
            name,
            AccuracyPart.SECOND_WINDING,
            Scope.SPECIMENS,
            np.stack([zero, zero, change], axis=-1),
            LOAD_SHAPE,
        )
        for name, change in changes.items()
        if np.any(change)
    ]


def accuracy_map(
    accuracy: ImpedanceAccuracy,
    reading: ReadingNoise,
    *,
    impedance_ohm: FloatArray = IMPEDANCES_OHM,
    phase_rad: float = np.pi / 2,
    level_vpp: float | None = None,
) -> AccuracyMap:
    """Draw up the map of one wiring.

    Parameters
    ----------
    accuracy : ImpedanceAccuracy
    reading : ReadingNoise
    impedance_ohm : float array (K,)
        Magnitudes, rising.
    phase_rad : float
        Angle of the specimen; a core without loss has π/2.
    level_vpp : float or None
        Of the source; None takes 2 V, or what the source reaches.

    Raises
    ------
    InputError
        Magnitudes or level that are none.
    """
    level = min(STANDARD_LEVEL_VPP, reading.level_vpp[1]) if level_vpp is None else level_vpp
    sizes = np.asarray(impedance_ohm, dtype=float)
    _check(sizes, level)
    cells = np.broadcast_to(sizes * np.exp(1j * phase_rad), (accuracy.frequency_hz.size, sizes.size))
    errors = impedance_errors(accuracy, reading, cells, np.array(level))
    size, angle = errors.total()
    return AccuracyMap(
        accuracy=accuracy,
        impedance_ohm=sizes,
        phase_rad=float(phase_rad),
        level_vpp=float(level),
        u_magnitude=size,
        u_phase_rad=angle,
        parts=errors.parts(),
        reach=errors.reach,
    )


def _check(sizes: FloatArray, level_vpp: float) -> None:
    good = sizes.ndim == 1 and sizes.size > 0 and bool(np.all(np.isfinite(sizes)))
    if not (good and sizes[0] > 0 and np.all(np.diff(sizes) > 0)):
        raise InputError(
            "magnitudes of impedance must be finite, above zero and rising",
            where="impedance_ohm",
            got=np.array2string(sizes, threshold=6),
        )
    if not 0 < level_vpp < np.inf:
        raise InputError("a level must be above zero and finite", where="level_vpp", got=f"{level_vpp:g} V")


# --------------------------------------------------------------------------------- without a calibration


@dataclass(frozen=True, slots=True)
class StatedBench:
    """What a bench file says of the parts that a calibration would be made with.

    Attributes
    ----------
    shunt : Shunt
    standards : sequence of Standard
        That a calibration of one winding would read; two windings take none.
    load : SecondaryLoad or None
        Of the second winding.
    """

    shunt: Shunt
    standards: Sequence[Standard]
    load: SecondaryLoad | None = None


def nominal_accuracy(
    stated: StatedBench, wiring: Wiring, reading: ReadingNoise, frequency_hz: FloatArray
) -> ImpedanceAccuracy:
    """Return what a calibration with the parts stated would leave open.

    The standards are read without noise on the nominal network of the wiring, with the noise this digitizer
    would state, and the model is solved as a real one is.

    Raises
    ------
    CalibrationError
        The standards do not make a calibration.
    """
    ranges, setup = reading.tied_ranges(), _setup(stated, wiring, reading, frequency_hz)
    parts = () if wiring is Wiring.TWO_WINDINGS else tuple(stated.standards)
    network = Ratio.solve((), replace(setup, channels=None))
    read = [Measured(part, _read(part, network, ranges, reading, stated.shunt)) for part in parts]
    kinds = {type(part) for part in parts}
    model: ErrorModel
    if kinds >= {Open, Short, Load}:
        model = OpenShortLoad.solve(read, setup)
    elif kinds >= {Open, Short}:
        model = OpenShort.solve([item for item in read if isinstance(item.standard, Open | Short)], setup)
    else:
        model = Ratio.solve((), setup)
    accuracy = model_accuracy(model, nominal(stated.shunt.resistance_ohm), ranges, load=stated.load)
    return replace(accuracy, calibrated=False, origin=NOT_CALIBRATED)


def _setup(stated: StatedBench, wiring: Wiring, reading: ReadingNoise, frequency_hz: FloatArray) -> Setup:
    grid = np.asarray(frequency_hz, dtype=float)
    tied = reading.tied_ranges()
    ones = np.ones(grid.size, dtype=np.complex128)
    channels = RangeFactor(ones, ones.real * tied.u_gain[0, 0], ones.real * tied.u_phase_rad[0, 0])
    return Setup(Fingerprint(wiring), grid, stated.shunt, channels, calibration_id="as stated")


def _read(
    part: Standard, network: ErrorModel, tied: RangeUncertainty, reading: ReadingNoise, shunt: Shunt
) -> PhasorPair:
    """Return what the nominal network gives for a standard, with the noise that would be stated."""
    f = network.frequency_hz
    stated = part.homogeneous(f)
    pair = network.embed_homogeneous(stated.p, stated.q)
    shunt_ohm = nominal(shunt.resistance_ohm)
    plain = model_accuracy(network, shunt_ohm, tied)
    faint = np.maximum(abs(stated.q), ALMOST_OPEN * np.maximum(abs(stated.p), 1.0))
    z = np.asarray(np.where(abs(stated.p) > 0, stated.p, 1e-9) / faint, dtype=np.complex128)
    level = np.array(min(STANDARD_LEVEL_VPP, reading.level_vpp[1]))
    peaks = voltages_vpk(plain, reading.output_ohm, z[:, np.newaxis], level)
    covariance = np.zeros((f.size, 4, 4))
    u_tie = tied.u_gain[0, 0] ** 2, tied.u_phase_rad[0, 0] ** 2
    for channel, voltage in enumerate((pair.voltage_a_v, pair.voltage_b_v)):
        along, across = (v[:, 0] for v in reading.relative_variance(channel, peaks[channel]))
        if channel == 0:  # as standards are tied: the doubt of the factor is frozen into channel A
            along, across = along + u_tie[0], across + u_tie[1]
        block = slice(2 * channel, 2 * channel + 2)
        covariance[:, block, block] = _turned(voltage, along, across)
    return replace(pair, covariance=covariance)


def _turned(voltage: ComplexArray, along: FloatArray, across: FloatArray) -> FloatArray:
    """Return the covariance of (Re, Im) from relative variances in phase with a voltage and across."""
    axes = [np.stack([v.real, v.imag], axis=-1) for v in (voltage, 1j * voltage)]
    return np.asarray(
        sum(
            v[:, np.newaxis, np.newaxis] * axis[:, :, np.newaxis] * axis[:, np.newaxis, :]
            for v, axis in zip((along, across), axes, strict=True)
        )
    )
