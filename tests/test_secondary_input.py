"""The load of a second winding, against two coupled coils solved by hand and against finite steps."""

from dataclasses import replace

import numpy as np
import pytest

from whichcore.analysis.secondary_input import INPUT_CAPACITANCE, INPUT_RESISTANCE, SecondaryLoad, unloaded
from whichcore.analysis.specimen import Ring, Specimen, Winding
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, Scope
from whichcore.errors import AnalysisError, InputError

F = np.array([1e4, 1e5, 3e5])
N1, N2 = 20, 10
SPECIMEN = Specimen(Ring(25e-3, 15e-3, 10e-3), Winding(N1, N2))
LOAD = SecondaryLoad(70e-12, 8e-12, 1e6, 0.01)


def _loaded(load, second=N2):
    """Return V_2/I_1 of a lossless core: with L = λN², M = λN1N2: V_2 = jωM I_1 − jωL_2 V_2 Y (analytic)."""
    jw, per_turn = 2j * np.pi * F, 2.3e-6
    mutual, own = jw * per_turn * N1 * second, jw * per_turn * second**2
    return mutual / (1 + own * (1 / load.resistance_ohm + jw * load.capacitance_f)), mutual


def _sweep(impedance, wiring="two-windings"):
    sources = (ErrorSource("gain", Scope.SWEEP, 0.01 * impedance),)
    return ImpedanceSweep(F, impedance, np.zeros((3, 2, 2)), sources, wiring=wiring)


@pytest.mark.parametrize("second", [5, 20, 40])
def test_the_load_is_taken_off_exactly(second):
    read, mutual = _loaded(LOAD, second)
    freed = unloaded(_sweep(read), Specimen(SPECIMEN.core, Winding(N1, second)), LOAD)
    np.testing.assert_allclose(freed.impedance_ohm, mutual, rtol=1e-12)
    assert abs(np.angle(read[1] / mutual[1])) > 1e-6  # and it was not nothing


def test_sensitivities_are_those_of_finite_steps():
    read, _ = _loaded(LOAD)
    freed = unloaded(_sweep(read), SPECIMEN, LOAD)
    found = {source.id: source.sensitivity for source in freed.sources}
    more = unloaded(_sweep(read), SPECIMEN, replace(LOAD, capacitance_f=LOAD.capacitance_f + 8e-17))
    np.testing.assert_allclose(
        found[INPUT_CAPACITANCE], 1e5 * (more.impedance_ohm - freed.impedance_ohm), rtol=1e-3
    )
    other = unloaded(_sweep(read), SPECIMEN, replace(LOAD, resistance_ohm=1e6 * (1 + 1e-5)))
    np.testing.assert_allclose(
        found[INPUT_RESISTANCE], 1e3 * (other.impedance_ohm - freed.impedance_ohm), rtol=1e-3
    )
    bigger = unloaded(_sweep(read * (1 + 1e-6)), SPECIMEN, LOAD)
    np.testing.assert_allclose(found["gain"], 1e4 * (bigger.impedance_ohm - freed.impedance_ohm), rtol=1e-3)


def test_refusals():
    read, _ = _loaded(LOAD)
    with pytest.raises(AnalysisError, match="two windings"):
        unloaded(_sweep(read, "shunt-at-ground"), SPECIMEN, LOAD)
    with pytest.raises(AnalysisError, match="two windings"):
        unloaded(_sweep(read), Specimen(SPECIMEN.core, Winding(N1)), LOAD)
    for wrong in ((-1e-12, 0.0, 1e6, 0.0), (1e-12, np.nan, 1e6, 0.0), (1e-12, 0.0, 0.0, 0.0)):
        with pytest.raises(InputError, match="load of a second winding"):
            SecondaryLoad(*wrong)
