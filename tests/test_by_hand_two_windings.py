"""Two windings read off a screen: second voltage over first current, the load of the second taken off."""

import math
from dataclasses import replace

import numpy as np
import pytest

from test_by_hand import DIVISIONS, HEAD, ROOT3, run
from whichcore.analysis.permeability import air_inductance_h, permeability
from whichcore.errors import InputError, WhichcoreWarning
from whichcore.files import load_specimen, load_sweep
from whichcore.files.screen_sheet import load_screen_sheet
from whichcore.measure.by_hand import standard_uncertainties, sweep_by_hand

LOAD = """# input_resistance: 1 Mohm
# input_resistance_tolerance: 2 %
# input_capacitance: 100 pF
# input_capacitance_tolerance: 20 pF
"""
RING = """name = "ring"
[core]
shape = "ring"
outer_diameter = "25 mm"
inner_diameter = "15 mm"
height = "10 mm"
dimension_uncertainty = "0.03 mm"
[winding]
turns = 10
wire_diameter = "0.4 mm"
lead_length = "40 mm"
"""
SECOND = "secondary_turns = 20\n"
SHUNT_OHM, R_OHM, C_F = 10.0, 1e6, 100e-12
HERTZ = (20e3, 60e3, 200e3)
MU = 2000 - 300j


@pytest.fixture
def ring(tmp_path):
    path = tmp_path / "ring.toml"
    path.write_text(RING + SECOND)
    return path


def voltages(specimen, hertz, current=5e-3):
    """Analytic: V_2 = Zm (I − (N2/N1) V_2 Y), Zm = jω N1 N2 L01 μ, Y = 1/R + jωC; V_shunt = Zs I."""
    jw = 2j * math.pi * hertz
    transfer = jw * air_inductance_h(specimen, True) * MU
    share = specimen.winding.secondary_turns / specimen.winding.turns
    return transfer * current / (1 + share * transfer * (1 / R_OHM + jw * C_F)), SHUNT_OHM * current, transfer


def sheet(folder, specimen, *, load=LOAD, turned=False, read=lambda x: x):
    rows = []
    for hertz in HERTZ:
        a, b, _ = voltages(specimen, hertz)
        lead = np.degrees(np.angle(-a / b if turned else a / b))
        cells = f"{read(abs(a))!r} Vpk ± 1 %,{read(b)!r} Vpk ± 1 %,{lead!r} deg ± 1 deg"
        rows.append(f"{hertz:g} Hz,{cells.replace('np.float64(', '').replace(')', '')}")
    path = folder / "hand.csv"
    head = HEAD.format(wiring="two-windings", leads="A") + load
    path.write_text(f"{head}frequency,a,b,shift\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_permeability_comes_out_with_the_load_taken_off(tmp_path, ring):
    specimen = load_specimen(ring)
    sweep = sweep_by_hand(load_screen_sheet(sheet(tmp_path, specimen)), specimen)
    wanted = np.array([voltages(specimen, f)[2] for f in HERTZ])
    assert sweep.impedance_ohm == pytest.approx(wanted, rel=1e-9)
    loaded = np.array([SHUNT_OHM * voltages(specimen, f)[0] / voltages(specimen, f)[1] for f in HERTZ])
    assert abs(loaded[-1] / wanted[-1] - 1) > 0.05  # the load is no trifle here
    ideal = replace(specimen, winding=replace(specimen.winding, capacitance_f=1e-18))  # as the voltages are
    spectrum = permeability(sweep, ideal)
    assert spectrum.permeability == pytest.approx(np.full(3, MU), rel=1e-9)
    # analytic: B = V_2/(ω N2 A_e) of the peak, at the inner edge l_e/(2π r_i) times as much; A_e and l_e of a
    # ring of rectangular section by IEC 60205 (from memory)
    outer, inner, height = 12.5e-3, 7.5e-3, 10e-3
    log, inverse = math.log(outer / inner), 1 / inner - 1 / outer
    area, edge = height * log**2 / inverse, log / inverse / inner
    peak = abs(voltages(specimen, HERTZ[0])[0]) / (2 * math.pi * HERTZ[0] * 20 * area)
    assert sweep.flux_density_t[0] == pytest.approx(peak * edge, rel=1e-6)


def test_what_is_not_known_of_the_load_is_an_error_of_its_own(tmp_path, ring):
    specimen = load_specimen(ring)
    sweep = sweep_by_hand(load_screen_sheet(sheet(tmp_path, specimen)), specimen)
    found = {source.id: source.sensitivity for source in sweep.sources}
    z = sweep.impedance_ohm
    jw = 2j * np.pi * np.array(HERTZ)
    # analytic: d(1/Zm) = −(N2/N1) dY, so dZm = Zm² (N2/N1) dY; tolerances are half-widths
    assert found["second winding: capacitance across it"] == pytest.approx(z**2 * 2 * jw * 20e-12 / ROOT3)
    assert abs(found["second winding: input resistance"]) == pytest.approx(
        abs(z) ** 2 * 2 * 0.02 / ROOT3 / R_OHM
    )
    assert np.all(standard_uncertainties(sweep) > 0)


def test_the_command_and_the_sweep_file(tmp_path, ring):
    out = tmp_path / "out.csv"
    done = run(
        "by-hand", "sweep", "--sheet", sheet(tmp_path, load_specimen(ring)), "--specimen", ring, "--out", out
    )
    assert done.exit_code == 0, done.output
    assert load_sweep(out).wiring == "two-windings"
    assert "whichcore identify" in done.output


def test_a_specimen_with_both_windings_is_needed(tmp_path, ring):
    path, out = sheet(tmp_path, load_specimen(ring)), tmp_path / "out.csv"
    done = run("by-hand", "sweep", "--sheet", path, "--out", out)
    assert done.exit_code == 3
    assert "turns of the second one are not known; got no specimen file; next: add --specimen" in done.stderr
    ring.write_text(RING)
    done = run("by-hand", "sweep", "--sheet", path, "--specimen", ring, "--out", out)
    assert done.exit_code == 3
    assert "got a specimen with one winding" in done.stderr
    assert not out.exists()


@pytest.mark.parametrize(
    ("load", "wiring", "said"),
    [
        ("", "two-windings", "input_resistance is missing; allowed: # input_resistance: 10 Mohm"),
        (LOAD.replace("input_capacitance: ", "specimen: "), "two-windings", "input_capacitance is missing"),
        (LOAD.replace("1 Mohm", "0 ohm"), "two-windings", "an input's resistance is above zero"),
        (LOAD, "shunt-at-ground", "the load of a second winding, and there is one winding"),
    ],
)
def test_faults_of_the_head(tmp_path, ring, load, wiring, said):
    path = sheet(tmp_path, load_specimen(ring), load=load)
    path.write_text(path.read_text().replace("wiring: two-windings", f"wiring: {wiring}"))
    with pytest.raises(InputError) as caught:
        load_screen_sheet(path)
    assert said in caught.value.one_line()
    assert "\n" not in caught.value.one_line()


def test_a_second_winding_the_other_way_round_is_named(tmp_path, ring):
    specimen = load_specimen(ring)
    path = sheet(tmp_path, specimen, turned=True)
    with pytest.raises(InputError, match="the ends of the second winding"):
        sweep_by_hand(load_screen_sheet(path), specimen)


def test_it_can_be_asked_for(tmp_path, ring):
    path, out = tmp_path / "asked.csv", tmp_path / "out.csv"
    text = (
        "two windings\n10 ohm\n\n\n\n10 Mohm\n\nten\n15 pF\n\n"
        "20 kHz\n200 mV\n6.0 div pp\n50 mV\n4.0 div pp\n5 us\n2.4 div\nA\nyes\n\n"
    )
    done = run("by-hand", "ask", "--sheet", path, text=text)
    assert done.exit_code == 0, done.output
    assert "input_capacitance" in path.read_text()
    assert path.read_text().splitlines()[-2] == DIVISIONS.strip().replace("shift,", "shift,leads,")
    assert "Please once more" in done.stderr  # "ten" is no capacitance
    assert run("by-hand", "sweep", "--sheet", path, "--specimen", ring, "--out", out).exit_code == 0
    z = load_sweep(out).impedance_ohm[0]
    # analytic: 10 Ω · 1.2 V/0.2 V = 60 Ω, a shift of 12 µs of 50 µs; the load of 15 pF is a trifle
    assert z == pytest.approx(60 * np.exp(2j * np.pi * 0.24), rel=2e-3)


def test_rows_that_say_little_name_what_helps_here(tmp_path, ring):
    specimen = load_specimen(ring)
    path = sheet(tmp_path, specimen)
    text = path.read_text()
    path.write_text(text.replace("Vpk ± 1 %", "Vpk ± 25 %"))
    with pytest.warns(WhichcoreWarning, match="more turns, or a larger shunt"):
        sweep_by_hand(load_screen_sheet(path), specimen)
    path.write_text(text.replace("Vpk ± 1 %", "Vpk ± 60 %"))
    with pytest.raises(InputError, match="got no current in the first winding; next: a larger shunt shows"):
        sweep_by_hand(load_screen_sheet(path), specimen)
