"""The plane of an empty winding: what the core adds to its winding, against circuits and draws."""

from dataclasses import replace

import numpy as np
import pytest

from whichcore.analysis.permeability import air_inductance_h, impedance_of, permeability
from whichcore.analysis.specimen import Ring, Specimen, Winding
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, PhasorPair, Scope, Wiring
from whichcore.analysis.winding import winding_model
from whichcore.calibration.empty_winding import call_zero
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.standards import Load, Open, Short, Toleranced
from whichcore.errors import AnalysisError, CalibrationError, WhichcoreWarning
from whichcore.files import load_specimen, load_sweep, write_sweep
from whichcore.rig.virtual import WoundCore, core
from whichcore.rig.virtual import impedance_of as circuit_of

F = np.geomspace(1e4, 3e6, 9)
SPECIMEN = Specimen(
    Ring(25e-3, 15e-3, 10e-3),
    Winding(12, wire_diameter_m=0.4e-3, dc_resistance_ohm=0.07, lead_length_m=0.06, capacitance_f=6e-12),
    dimension_uncertainties_m={"outer_diameter_m": 3e-5, "inner_diameter_m": 3e-5, "height_m": 3e-5},
)
EMPTY = {"plane": "empty winding"}
BENCH = Fingerprint(Wiring.SHUNT_AT_GROUND)
WOUND = Fingerprint(Wiring.SHUNT_AT_GROUND, fixture="empty winding of 12 turns")


def sweep_of(z, **more):
    more.setdefault("scatter", np.zeros((F.size, 2, 2)))
    return ImpedanceSweep(F, z, notes=EMPTY, **more)


# --- permeability -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mu", [3.0, 30.0, 300.0])
def test_the_one_is_added_and_the_winding_has_no_part(mu):
    """Analytic: without a capacitance Z' = jωL0 (μ − 1), whatever copper and leads are."""
    bare = replace(SPECIMEN, winding=replace(SPECIMEN.winding, capacitance_f=1e-24))  # as good as none
    complex_mu = mu - 0.02j * mu
    z = 2j * np.pi * F * air_inductance_h(bare) * (complex_mu - 1)
    found = permeability(sweep_of(z), bare).permeability
    assert found == pytest.approx(np.full(F.size, complex_mu), rel=1e-9)
    other = replace(bare, winding=replace(bare.winding, dc_resistance_ohm=0.7, lead_length_m=0.3))
    assert permeability(sweep_of(z), other).permeability == pytest.approx(found, rel=1e-9)


def test_with_a_capacitance_it_is_the_difference_of_two_windings():
    """Computed by the forward direction: the wound core less the winding alone gives the core back."""
    mu = 30 - 1.5j + 0 * F
    z = impedance_of(mu, F, SPECIMEN) - impedance_of(np.ones(F.size), F, SPECIMEN)
    assert permeability(sweep_of(z), SPECIMEN).permeability == pytest.approx(mu, rel=1e-9)


def test_a_file_hands_the_plane_over(tmp_path):
    mu = 30 - 1.5j + 0 * F
    z = impedance_of(mu, F, SPECIMEN) - impedance_of(np.ones(F.size), F, SPECIMEN)
    write_sweep(tmp_path / "s.csv", sweep_of(z))
    assert "# plane: empty winding" in (tmp_path / "s.csv").read_text()
    with pytest.warns(WhichcoreWarning, match="no uncertainty is stated"):
        read = load_sweep(tmp_path / "s.csv")
    assert permeability(read, SPECIMEN).permeability == pytest.approx(mu, rel=1e-6)


def test_another_plane_is_refused():
    with pytest.raises(AnalysisError, match="plane"):
        permeability(replace(sweep_of(F * 1j), notes={"plane": "far end"}), SPECIMEN)


@pytest.mark.parametrize("factor", [1.0, 30.0])
def test_every_source_of_the_winding_is_its_difference_quotient(factor):
    """Independent of the derivatives in the code: the formula written here, with each element moved a little.

    A larger capacitance (``factor``) makes what is put back and what is taken off differ.
    """
    specimen = replace(SPECIMEN, winding=replace(SPECIMEN.winding, capacitance_f=factor * 6e-12))
    z = 2j * np.pi * F * air_inductance_h(specimen) * (29 - 1.5j)
    spectrum = permeability(sweep_of(z), specimen)
    model, w = winding_model(specimen, F), 2 * np.pi * F
    values = (model.resistance_ohm.value, model.inductance_h.value, model.capacitance_f.value)

    def mu(r, length, c, scale=1.0):
        air = 1j * w * air_inductance_h(specimen) * scale
        there = z + 1 / (1 / (r + 1j * w * length + air) + 1j * w * c)
        return (1 / (1 / there - 1j * w * c) - r - 1j * w * length) / air

    found = {source.id: source.sensitivity for source in spectrum.sources}
    elements = (model.resistance_ohm, model.inductance_h, model.capacitance_f)
    checked = 0
    for place, element in enumerate(elements):
        for error in element.errors:
            steps = [list(values), list(values)]
            for sign, step in zip((1, -1), steps, strict=True):
                step[place] = values[place] + sign * 1e-3 * error.change
            slope = (mu(*steps[0]) - mu(*steps[1])) / 2e-3
            least = 1e-9 + 1e-7 * np.abs(found[error.id]).max()  # rounding of the quotient
            assert found[error.id] == pytest.approx(slope, rel=1e-4, abs=least)
            checked += 1
    assert checked >= 3
    for name, sensitivity in found.items():
        if name.startswith("dimension:height"):
            share = 3e-5 / 10e-3
            slope = (mu(*values, 1 + 1e-4) - mu(*values, 1 - 1e-4)) / 2e-4
            assert sensitivity == pytest.approx(slope * share, rel=1e-3)
            checked += 1
    assert checked >= 4


# --- the calibration ----------------------------------------------------------------------------------------


def readings(z, matrix):
    """Voltages of an impedance (None: open) behind a network, written by the adjugate."""
    p, q = (np.ones(F.size), np.zeros(F.size)) if z is None else (z, np.ones(F.size))
    a = matrix[:, 1, 1] * p - matrix[:, 0, 1] * q
    b = matrix[:, 0, 0] * q - matrix[:, 1, 0] * p
    size = np.hypot(abs(a), abs(b))
    return PhasorPair(F, a / size, b / size, np.broadcast_to(1e-8 * np.eye(4), (F.size, 4, 4)).copy())


def network(rng):
    shape = (F.size, 2, 2)
    matrix = np.array([[1.0, -1.0], [0.0, 0.1]]) * np.ones(shape)
    return matrix + 0.02 * (rng.normal(size=shape) + 1j * rng.normal(size=shape)) * [[1, 1], [0.1, 0.1]]


def calibrated(rng, load_ohm=50.0):
    matrix = network(rng)
    parts = (Open(0.0), Short(0.0), Load(Toleranced(50.0, 0.05)))
    pairs = (readings(None, matrix), readings(0 * F, matrix), readings(load_ohm + 0 * F, matrix))
    standards = [Measured(part, pair) for part, pair in zip(parts, pairs, strict=True)]
    model = OpenShortLoad.solve(standards, Setup(BENCH, F))
    return matrix, model


def empty(z, matrix):
    return Measured(Short(plane="empty winding", name="former"), readings(z, matrix))


WINDING = 0.08 + 2j * np.pi * F * 0.6e-6


def test_what_the_core_adds_is_left():
    matrix, model = calibrated(np.random.default_rng(1))
    zero = call_zero(model, empty(WINDING, matrix), WOUND)
    assert zero.plane == "empty winding"
    assert zero.standards[-1] == "former"
    added = 20 + 200j + 0 * F
    found = zero.correct(readings(WINDING + added, matrix))
    assert found.impedance_ohm == pytest.approx(added, rel=1e-9)  # analytic
    assert found.notes["plane"] == "empty winding"
    again = OpenShortLoad.from_dict(zero.to_dict())
    assert again.plane == "empty winding"
    assert again.correct(readings(WINDING, matrix)).impedance_ohm == pytest.approx(0 * F, abs=1e-9)


def test_a_load_at_the_terminals_does_not_go_with_a_winding_called_zero():
    """Why it is done in two steps: at once, 50 Ω and a winding of 11 Ω contradict each other."""
    matrix, _ = calibrated(np.random.default_rng(1))
    parts = (Open(0.0), Short(plane="empty winding"), Load(50.0))
    pairs = (readings(None, matrix), readings(WINDING, matrix), readings(50 + 0 * F, matrix))
    at_once = OpenShortLoad.solve([Measured(*x) for x in zip(parts, pairs, strict=True)], Setup(BENCH, F))
    added = 200j + 0 * F
    wrong = at_once.correct(readings(WINDING + added, matrix)).impedance_ohm
    # analytic: the bilinear map through the three is off by 50/(50 − Z_e)
    assert wrong / added == pytest.approx(50 / (50 - WINDING), rel=1e-9)
    assert abs(wrong / added - 1).max() > 0.2


def test_every_error_is_the_difference_of_two_calibrations():
    """Move the load by one of its standard uncertainties and calibrate again: that is its perturbation."""
    matrix, model = calibrated(np.random.default_rng(3))
    part = empty(WINDING, matrix)
    specimen = readings(WINDING + 30 + 40j, matrix)
    found = {s.id: s.sensitivity for s in call_zero(model, part, WOUND).correct(specimen).sources}
    step = 1e-3
    sides = []
    for sign in (1, -1):
        parts = (Open(0.0), Short(0.0), Load(50.0 + sign * step * 0.05))
        pairs = (readings(None, matrix), readings(0 * F, matrix), readings(50 + 0 * F, matrix))
        other = OpenShortLoad.solve([Measured(*x) for x in zip(parts, pairs, strict=True)], Setup(BENCH, F))
        sides.append(call_zero(other, part, WOUND).correct(specimen).impedance_ohm)
    assert found["standard load: resistance"] == pytest.approx((sides[0] - sides[1]) / (2 * step), rel=1e-4)


def test_the_noise_of_the_winding_is_that_of_draws():
    rng = np.random.default_rng(4)
    matrix, model = calibrated(rng)
    part = empty(WINDING, matrix)
    specimen = readings(WINDING + 30 + 40j, matrix)
    zero = call_zero(model, part, WOUND)
    own = [s.sensitivity for s in zero.correct(specimen).sources if "noise of former" in s.id]
    assert len(own) == 2
    draws = []
    for _ in range(3000):
        n = rng.normal(scale=1e-4, size=(F.size, 4))
        pair = replace(
            part.pair,
            voltage_a_v=part.pair.voltage_a_v + n[:, 0] + 1j * n[:, 1],
            voltage_b_v=part.pair.voltage_b_v + n[:, 2] + 1j * n[:, 3],
        )
        draws.append(call_zero(model, Measured(part.standard, pair), WOUND).correct(specimen).impedance_ohm)
    spread = np.var(draws, axis=0)
    # analytic: a variance of 3000 draws of two components scatters by 1/√3000 = 1.8 %; five of them
    assert np.abs(own[0]) ** 2 + np.abs(own[1]) ** 2 == pytest.approx(spread, rel=0.09)


def test_what_does_not_go_together_is_refused():
    matrix, model = calibrated(np.random.default_rng(1))
    with pytest.raises(CalibrationError, match="follows on"):
        call_zero(model, Measured(Short(), readings(WINDING, matrix)), WOUND)
    zero = call_zero(model, empty(WINDING, matrix), WOUND)
    with pytest.raises(CalibrationError, match="follows on"):
        call_zero(zero, empty(WINDING, matrix), WOUND)
    short = replace(readings(WINDING, matrix), frequency_hz=F * 1.01)
    with pytest.raises(CalibrationError, match="frequencies"):
        call_zero(model, Measured(Short(plane="empty winding"), short), WOUND)
    with pytest.raises(AnalysisError, match="open"):
        call_zero(model, empty(None, matrix), WOUND)


# --- a core on the virtual bench ----------------------------------------------------------------------------


def test_a_powder_core_of_the_virtual_bench(tmp_path):
    """Its circuit and that of its former, as the terminals see them, give the core's own permeability."""
    item = WoundCore(core("bin-l"), 40)
    card = tmp_path / "card.toml"
    card.write_text(item.specimen_toml())
    specimen = load_specimen(card)
    f = np.array([2e4, 2e5])
    added = circuit_of(item, f) - circuit_of(item.emptied(), f)  # independent code: the nodal circuit
    sources = (ErrorSource("gain", Scope.SWEEP, 0.01 * added),)
    spectrum = permeability(ImpedanceSweep(f, added, np.zeros((2, 2, 2)), sources, notes=EMPTY), specimen)
    s = 2j * np.pi * f
    truth = item.core_port().impedance(s) / item.emptied().core_port().impedance(s)
    off = np.abs(spectrum.permeability - truth)
    u = np.sqrt(sum(np.abs(source.sensitivity) ** 2 for source in spectrum.sources))
    assert 20 < truth[0].real < 130
    assert np.all(off < 2 * u), (off / u).tolist()
    assert np.all(u < 0.03 * np.abs(truth))
    blind = permeability(ImpedanceSweep(f, added, np.zeros((2, 2, 2)), sources), specimen)
    # computed: taking R_w and the one off again is off by 1 in μ′, and below copper in μ″
    assert np.all(np.abs(blind.permeability - spectrum.permeability) > 1)
