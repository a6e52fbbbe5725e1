"""What hangs on a second winding: the channel that reads it, its cable, and the winding's own capacitance.

The second winding carries the current V_2 Y of that load, which magnetises against the first. With I_1 read
at the shunt V_2 = Zm (I_1 − (N2/N1) V_2 Y), so that

    1/Zm = I_1/V_2 − (N2/N1) Y,   Y = 1/R + jωC.

One megohm beside a Zm of a kilohm is a phase of 1 mrad, as much as the loss of a good core; 70 pF are ten
percent at a few hundred kilohertz.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.impedance import require_curve
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import Distribution, ErrorSource, ImpedanceSweep, Scope, Wiring
from whichcore.analysis.uncertainty import merge_sources, propagate
from whichcore.errors import AnalysisError, InputError

INPUT_CAPACITANCE = "second winding: capacitance across it"
INPUT_RESISTANCE = "second winding: input resistance"
LOAD_SHAPE = Distribution.RECTANGULAR  # both are known by a tolerance


@dataclass(frozen=True, slots=True)
class SecondaryLoad:
    """The load of a second winding.

    Attributes
    ----------
    capacitance_f, u_capacitance_f : float
        Input, cable and the winding's own, with its standard uncertainty.
    resistance_ohm : float
        Of the input.
    u_resistance : float
        Relative standard uncertainty.
    """

    capacitance_f: float
    u_capacitance_f: float
    resistance_ohm: float = 1e6
    u_resistance: float = 0.01

    def __post_init__(self) -> None:
        values = (self.capacitance_f, self.u_capacitance_f, self.u_resistance)
        if not (all(0 <= value < np.inf for value in values) and self.resistance_ohm > 0):
            raise InputError(
                "the load of a second winding is not negative, and its resistance above zero",
                where="load of the second winding",
                got=f"{self.capacitance_f:g} F ± {self.u_capacitance_f:g} F, {self.resistance_ohm:g} ohm "
                f"± {self.u_resistance:g}",
            )


def unloaded(sweep: ImpedanceSweep, specimen: Specimen, load: SecondaryLoad) -> ImpedanceSweep:
    """Return the transfer impedance that an unloaded second winding would give.

    Parameters
    ----------
    sweep : ImpedanceSweep
        Of wiring "two-windings": the quotient of secondary voltage and primary current, Ω.
    specimen : Specimen
        States both turns.
    load : SecondaryLoad

    Returns
    -------
    ImpedanceSweep
        Sources are carried over by (Z′/Z)²; added are both uncertainties of the load, common to all
        specimens.

    Raises
    ------
    AnalysisError
        Another wiring; one winding only; a curve that is none; a load that alone explains the reading.
    """
    require_curve(sweep.frequency_hz, sweep.impedance_ohm)
    second = specimen.winding.secondary_turns
    if sweep.wiring != Wiring.TWO_WINDINGS or second is None:
        raise AnalysisError(
            "only a sweep with two windings has a load on the second",
            where="wiring",
            got=f"{sweep.wiring}, secondary turns {second}",
            allowed=f"{Wiring.TWO_WINDINGS}, with secondary_turns in the specimen",
        )
    share = second / specimen.winding.turns
    jw = np.asarray(2j * np.pi * sweep.frequency_hz, dtype=np.complex128)
    admittance = 1 / sweep.impedance_ohm - share * (1 / load.resistance_ohm + jw * load.capacitance_f)
    if np.any(admittance == 0):
        raise AnalysisError(
            "the load of the second winding alone explains the reading", where="second winding"
        )
    freed = np.asarray(1 / admittance, dtype=np.complex128)
    scatter, carried = propagate(sweep.scatter, sweep.sources, (freed / sweep.impedance_ohm) ** 2)
    of_capacitance = freed**2 * share * jw * load.u_capacitance_f
    of_resistance = -(freed**2) * share * load.u_resistance / load.resistance_ohm
    own = (
        ErrorSource(INPUT_CAPACITANCE, Scope.SPECIMENS, of_capacitance, LOAD_SHAPE),
        ErrorSource(INPUT_RESISTANCE, Scope.SPECIMENS, of_resistance, LOAD_SHAPE),
    )
    return replace(sweep, impedance_ohm=freed, scatter=scatter, sources=merge_sources(carried, own))
