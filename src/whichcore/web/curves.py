"""Curves as lists of numbers, for the page to draw."""

from __future__ import annotations

from typing import Any

import numpy as np

from whichcore.analysis.types import ImpedanceSweep, PermeabilitySpectrum
from whichcore.web.points import variance


def impedance_curve(sweep: ImpedanceSweep) -> dict[str, Any]:
    """Return an impedance."""
    z = sweep.impedance_ohm
    return {
        "frequency_hz": sweep.frequency_hz.tolist(),
        "z_real": z.real.tolist(),
        "z_imag": z.imag.tolist(),
    }


def permeability_curve(spectrum: PermeabilitySpectrum) -> dict[str, Any]:
    """Return μ′, μ″ and their standard uncertainties."""
    u_real, u_imag = np.sqrt(variance(spectrum))
    return {
        "frequency_hz": spectrum.frequency_hz.tolist(),
        "mu_real": spectrum.permeability.real.tolist(),
        "mu_imag": (-spectrum.permeability.imag).tolist(),
        "u_real": u_real.tolist(),
        "u_imag": u_imag.tolist(),
    }
