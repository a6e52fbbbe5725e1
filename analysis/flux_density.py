"""From voltages to the flux density in the core."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from whichcore.analysis.geometry import core_geometry
from whichcore.analysis.impedance import require_curve
from whichcore.analysis.permeability import air_inductance_h, strip_winding
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep
from whichcore.analysis.winding import winding_model


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
    layers = strip_winding(sweep, winding_model(specimen, frequency), air_inductance_h(specimen))
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
