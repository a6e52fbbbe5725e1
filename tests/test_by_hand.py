"""Heights and shifts off a screen, and meter readings: right, with honest uncertainty, slips refused."""

import contextlib
import json
import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from whichcore.analysis.by_hand import ScreenReading, pair_of_readings
from whichcore.analysis.types import Wiring
from whichcore.cli.root import root
from whichcore.errors import InputError
from whichcore.files import load_sweep, parse_reading
from whichcore.files.meter_accuracy import with_meter_accuracy
from whichcore.files.readings_file import load_readings
from whichcore.files.screen_sheet import load_screen_sheet
from whichcore.files.screen_value import Eye, parse_height, parse_shift
from whichcore.measure.by_hand import standard_uncertainties, sweep_by_hand

ROOT3 = math.sqrt(3)
LIBRARY = Path(__file__).resolve().parents[1] / "src/whichcore/demo_bins/library"
SHUNT_OHM = 10.0
HEAD = """# wiring: {wiring}
# shunt: 10 ohm
# shunt_tolerance: 1 %
# gain_tolerance: 3 %
# delay_tolerance: 3 ns
# positive_shift: {leads} leads
"""
DIVISIONS = "frequency,a,b,shift,a_scale,b_scale,time_scale\n"
VOLTS = "frequency,a,b,shift\n"


def run(*words, text=None):
    return CliRunner().invoke(root, [str(word) for word in words], input=text)


def sheet(tmp_path, body, *, wiring="shunt-at-ground", leads="A", head=None):
    path = tmp_path / "sheet.csv"
    path.write_text((HEAD.format(wiring=wiring, leads=leads) if head is None else head) + body)
    return path


def core(hertz):
    return 0.5 + 2j * np.pi * hertz * 150e-6


def seen(hertz, wiring, *, emf=1.0):
    """Voltages at A and B of a plain divider from 50 Ω (analytic)."""
    z, other = core(hertz), SHUNT_OHM
    if wiring is Wiring.SPECIMEN_AT_GROUND:
        z, other = SHUNT_OHM, core(hertz)
    current = emf / (50 + z + other)
    return current * (z + other), current * other


def row(hertz, wiring, rng):
    """Read a screen as an eye does: every distance within ± 0.1 division, evenly."""
    a, b = seen(hertz, wiring)
    cells = [f"{hertz:g} Hz"]
    scales = []
    for v in (a, b):
        scale = next(s for s in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5) if 2 * abs(v) < 7.6 * s)
        cells.append(f"{2 * abs(v) / scale + rng.uniform(-0.1, 0.1):.3f} div pp")
        scales.append(f"{scale * 1e3:g} mV")
    lead = np.angle(a / b) / (2 * np.pi * hertz)
    time_scale = next(t for t in np.outer(10.0 ** np.arange(-8, 0), (1, 2, 5)).ravel() if 8 * t > 0.5 / hertz)
    shift = f"{lead / time_scale + rng.uniform(-0.1, 0.1):.3f} div"
    return ",".join([*cells, shift, *scales, f"{time_scale * 1e9:g} ns"])


@pytest.mark.parametrize("wiring", [Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND])
def test_what_an_eye_reads_is_right_within_what_is_stated(tmp_path, wiring):
    rng = np.random.default_rng(11)
    scores = []
    hertz = np.geomspace(*((1.2e4, 9e4) if wiring is Wiring.SHUNT_AT_GROUND else (1e3, 1.5e4)), 10)
    for _ in range(12):
        path = sheet(
            tmp_path, DIVISIONS + "\n".join(row(f, wiring, rng) for f in hertz) + "\n", wiring=wiring
        )
        sweep = sweep_by_hand(load_screen_sheet(path))
        off = sweep.impedance_ohm - core(sweep.frequency_hz)
        # shunt and channels are exact here: only the scatter is asked for
        u = np.sqrt(np.stack([sweep.scatter[:, 0, 0], sweep.scatter[:, 1, 1]], axis=1))
        scores.append(np.stack([off.real, off.imag], axis=1) / u)
    # analytic: 240 scores of unit variance; their root mean square scatters by some 4 %
    assert 0.85 < np.sqrt(np.mean(np.square(scores))) < 1.15
    assert np.all(standard_uncertainties(sweep) > u)


def test_shunt_and_channels_are_errors_common_to_the_sweep(tmp_path):
    body = VOLTS + "20 kHz,0.6 Vpp ± 1 %,0.3 Vpp ± 1 %,60 deg ± 1 deg\n"
    sweep = sweep_by_hand(load_screen_sheet(sheet(tmp_path, body)))
    found = {source.id: source for source in sweep.sources}
    z = 2 * np.exp(1j * np.pi / 3) * 10 - 10  # analytic: Z = (V_A/V_B − 1) R
    assert sweep.impedance_ohm[0] == pytest.approx(z)
    assert found["shunt: resistance"].sensitivity[0] == pytest.approx(z * 0.01 / ROOT3)
    assert abs(found["channels: gain"].sensitivity[0]) == pytest.approx(20 * 0.03 / ROOT3)
    delay = 2 * np.pi * 20e3 * 3e-9 / ROOT3
    assert abs(found["channels: phase"].sensitivity[0]) == pytest.approx(20 * delay)


def test_each_pair_of_settings_has_a_gain_of_its_own(tmp_path):
    body = DIVISIONS + (
        "20 kHz,6 div pp,3 div pp,1.6 div,100 mV,100 mV,5 us\n"
        "40 kHz,6 div pp,3 div pp,1.6 div,100 mV,50 mV,2 us\n"
    )
    path, out = sheet(tmp_path, body), tmp_path / "out.csv"
    assert run("by-hand", "sweep", "--sheet", path, "--out", out).exit_code == 0
    sweep = load_sweep(out)
    assert sweep.range_labels == ("100mV/100mV", "100mV/50mV")
    assert {s.scope.value for s in sweep.sources if s.id.startswith("range")} == {"range"}


@pytest.mark.parametrize(
    ("text", "scale", "vpk", "u"),
    [  # analytic: a peak is half of pp, √2 rms; a height within ± 0.1 division is uncertain by 0.1/√3
        ("5.2 div pp", "200 mV", 0.52, 0.1 * 0.2 / ROOT3 / 2),
        ("5.2divpk", "0.2 V/div", 1.04, 0.1 * 0.2 / ROOT3),
        ("1.2 Vpp", "200 mV", 0.6, 0.1 * 0.2 / ROOT3 / 2),
        ("600 mVpk ± 6 mVpk", "", 0.6, 6e-3),
        ("1.2 Vpp +/- 2 %", "", 0.6, 0.012),
        ("1 Vrms ± 1 %", "", math.sqrt(2), 0.01 * math.sqrt(2)),
        ("5.2 div pp ± 0.05 div pp", "0.2 V", 0.52, 0.005),
    ],
)
def test_heights(text, scale, vpk, u):
    assert parse_height(text, scale, Eye(), where="a") == pytest.approx((vpk, u))


@pytest.mark.parametrize(
    ("text", "scale", "angle", "u"),
    [
        ("1.5 div", "5 us", 0.075 * 2 * math.pi, 0.1 * 5e-6 / ROOT3 * 2e4 * math.pi),
        ("7.5 us", "5 us", 0.075 * 2 * math.pi, 0.1 * 5e-6 / ROOT3 * 2e4 * math.pi),
        ("-7.5 us ± 0.1 us", "", -0.075 * 2 * math.pi, 1e-7 * 2e4 * math.pi),
        ("35° ± 2°", "", math.radians(35), math.radians(2)),
        ("-35 deg ± 10 %", "", -math.radians(35), math.radians(3.5)),
    ],
)
def test_shifts(text, scale, angle, u):
    assert parse_shift(text, scale, 1e4, Eye(), where="shift") == pytest.approx((angle, u))


@pytest.mark.parametrize(
    ("text", "scale", "said"),
    [
        ("1.2 V", "", "says pp, pk or rms"),
        ("5.2 div", "1 V", "says pp, pk or rms"),
        ("5.2 div pp", "", "needs the volts per division"),
        ("1.2 Vpp", "", "nothing says how well"),
        ("1.2 Vrms", "1 V", "nothing says how well"),
        ("-1.2 Vpp", "1 V", "is positive"),
        ("1,2 Vpp", "1 V", "no height on a screen"),
        ("1.2 Vpp ± 1 % ± 2 %", "", "at most one ±"),
        ("1.2 Vpp ± 0 %", "", "uncertainty is positive"),
        ("1.2 Vpp", "5", "unit is missing"),
    ],
)
def test_heights_refused(text, scale, said):
    with pytest.raises(InputError, match=said):
        parse_height(text, scale, Eye(), where="line 3, a")


@pytest.mark.parametrize(
    ("text", "scale", "said"),
    [
        ("60 us", "10 us", "more than half a period; got 60 us, 216° at 10000 Hz"),
        ("200 deg ± 1 deg", "", "more than half a period"),
        ("35 deg", "5 us", "nothing says how well"),
        ("1.5 div", "", "needs the time per division"),
        ("7.5 V", "1 us", "unit of voltage, not of time"),
    ],
)
def test_shifts_refused(text, scale, said):
    with pytest.raises(InputError, match=said):
        parse_shift(text, scale, 1e4, Eye(), where="shift")


@given(
    st.text(alphabet="0123456789.-+e±% Vpkrmsdivueg@Hon", max_size=14), st.sampled_from(["", "5 us", "1 V"])
)
@settings(max_examples=150, deadline=None)
def test_nothing_typed_makes_anything_but_an_input_error(text, scale):
    for read in (
        lambda: parse_height(text, scale, Eye(), where="a"),
        lambda: parse_shift(text, scale, 1e4, Eye(), where="shift"),
        lambda: with_meter_accuracy("152 uH @ 10 kHz", text),
    ):
        with contextlib.suppress(InputError):
            read()


def test_the_covariance_is_that_of_many_readings():
    reading = ScreenReading(1e4, 0.8, 0.02, 0.3, 0.01, 0.9, 0.03)
    rng = np.random.default_rng(4)
    a = rng.normal(0.8, 0.02, 200_000) * np.exp(1j * rng.normal(0.9, 0.03, 200_000))
    drawn = np.cov([a.real, a.imag])
    # computed: drawn by chance, within some half per cent; first order leaves (0.03)² of it
    np.testing.assert_allclose(pair_of_readings([reading]).covariance[0, :2, :2], drawn, rtol=0.03, atol=2e-6)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ("10 kHz,0.3 Vpp ± 2 %,0.6 Vpp ± 2 %,50 deg ± 2 deg\n", "line 8: no passive part gives this"),
        ("10 kHz,1.3 Vpp ± 2 %,0.6 Vpp ± 2 %,150 deg ± 2 deg\n", "R = -28.8 ohm"),
        (
            "10 kHz,0.6 Vpp ± 2 %,0.6 Vpp ± 2 %,50 deg ± 2 deg\n10 kHz,1 Vpp,1 Vpp,1 deg\n",
            "line 9, a: nothing",
        ),
        ("0 kHz,0.6 Vpp ± 2 %,0.6 Vpp ± 2 %,50 deg ± 2 deg\n", "a frequency must be positive"),
        ("10,0.6 Vpp ± 2 %,0.6 Vpp ± 2 %,50 deg ± 2 deg\n", "the unit is missing"),
    ],
)
def test_impossible_and_faulty_rows(tmp_path, body, said):
    out = tmp_path / "out.csv"
    done = run("by-hand", "sweep", "--sheet", sheet(tmp_path, VOLTS + body), "--out", out)
    assert done.exit_code == 3, done.output
    assert said in done.stderr
    assert not out.exists()


def test_all_rows_at_fault_are_counted(tmp_path):
    bad = "{} kHz,0.3 Vpp ± 2 %,0.6 Vpp ± 2 %,50 deg ± 2 deg\n"
    good = "5 kHz,1.2 Vpp ± 2 %,0.6 Vpp ± 2 %,50 deg ± 2 deg\n"
    path = sheet(tmp_path, VOLTS + bad.format(10) + good + bad.format(20))
    done = run("by-hand", "sweep", "--sheet", path, "--out", tmp_path / "out.csv")
    assert "line 8: no passive part" in done.stderr
    assert "1 more row at fault: " in done.stderr
    assert "line 10: no passive" in done.stderr


def test_a_sign_turned_round_is_flagged(tmp_path):
    body = VOLTS + "10 kHz,1.2 Vpp ± 2 %,0.6 Vpp ± 2 %,50 deg ± 2 deg\n"
    right = sweep_by_hand(load_screen_sheet(sheet(tmp_path, body)))
    assert right.impedance_ohm[0].imag > 0  # analytic: A before the shunt leads where the specimen is a coil
    done = run("by-hand", "sweep", "--sheet", sheet(tmp_path, body, leads="B"), "--out", tmp_path / "o.csv")
    assert done.exit_code == 0
    assert "check which channel leads" in done.stderr


def test_specimen_at_ground_has_b_leading(tmp_path):
    body = VOLTS + "10 kHz,1.2 Vpp ± 2 %,0.9 Vpp ± 2 %,30 deg ± 2 deg\n"
    path = sheet(tmp_path, body, wiring="specimen-at-ground", leads="B")
    z = 10 / (1.2 / 0.9 * np.exp(-1j * np.pi / 6) - 1)  # analytic: Z = R/(V_A/V_B − 1)
    assert sweep_by_hand(load_screen_sheet(path)).impedance_ohm[0] == pytest.approx(z)


def test_rows_that_say_little_are_named(tmp_path):
    body = VOLTS + "1 kHz,0.601 Vpp ± 2 %,0.6 Vpp ± 2 %,2 deg ± 2 deg\n"
    done = run("by-hand", "sweep", "--sheet", sheet(tmp_path, body), "--out", tmp_path / "o.csv")
    assert done.exit_code == 0
    assert "the wiring with the specimen at ground may tell more" in done.stderr


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("# positive_shift: A leads\n", ""), "does not say which channel leads"),
        (("# shunt_tolerance: 1 %\n", ""), "the header line shunt_tolerance is missing"),
        (("shunt-at-ground", "shunt at ground"), "did you mean shunt-at-ground"),
        (("# wiring", "# wirring"), "did you mean wiring"),
        (("A leads", "C leads"), "no such choice"),
        (("10 ohm", "0 ohm"), "a shunt is above zero"),
        (("# shunt: ", "# reading_error: 0.2 mm\n# shunt: "), "stated in divisions"),
        (("# shunt: ", "# format: whichcore-screen 2\n# shunt: "), "no sheet of this version"),
        (("# shunt: ", "# shunt_inductance_tolerance: 1 nH\n# shunt: "), "a value that is not stated"),
    ],
)
def test_faults_of_the_head(tmp_path, change, said):
    head = HEAD.format(wiring="shunt-at-ground", leads="A").replace(*change)
    path = sheet(tmp_path, VOLTS + "10 kHz,1.2 Vpp ± 2 %,0.6 Vpp ± 2 %,50 deg ± 2 deg\n", head=head)
    with pytest.raises(InputError, match=said):
        load_screen_sheet(path)


def test_the_column_leads_tells_the_sign(tmp_path):
    head = HEAD.format(wiring="shunt-at-ground", leads="A").replace("# positive_shift: A leads\n", "")
    body = "frequency,a,b,shift,leads\n"
    one = body + "10 kHz,1.2 Vpp ± 2 %,0.6 Vpp ± 2 %,50 deg ± 2 deg,b\n"
    assert load_screen_sheet(sheet(tmp_path, one, head=head)).rows[0].reading.lead_rad < 0
    for cells, said in (("50 deg ± 2 deg,", "is not said"), ("-50 deg ± 2 deg,A", "a negative shift")):
        text = body + f"10 kHz,1.2 Vpp ± 2 %,0.6 Vpp ± 2 %,{cells}\n"
        with pytest.raises(InputError, match=said):
            load_screen_sheet(sheet(tmp_path, text, head=head))


# ------------------------------------------------------------------------------------------------- asking

FIRST = "shunt\n10 ohm\n\n\n\n"
ROW_1 = "10 kHz\n200 mV\n4.4 div pp\n100 mV\n5.4 div pp\n10 us\n1.43 div\nA\n\n"
ROW_2 = "20 kHz\n\n6.8 div pp\n\n4.4 div pp\n\n0.9 div\nA\nyes\n"


def test_a_sheet_is_asked_for_and_goes_on(tmp_path):
    path, out = tmp_path / "hand.csv", tmp_path / "out.csv"
    done = run("by-hand", "ask", "--sheet", path, text=f"{FIRST}{ROW_1}\n")
    assert done.exit_code == 0, done.output
    assert "10 kHz: R = 0.15 ± 0.52 Ω, X = 12.75 ± 0.49 Ω" in done.stderr
    assert (
        run("by-hand", "ask", "--sheet", path, text="30 kHz\n1 V\n").exit_code == 0
    )  # ends in a row: not kept
    again = (
        ROW_2.replace("\n\n", "\n200 mV\n", 1)
        .replace("\n\n", "\n100 mV\n", 1)
        .replace("\n\n", "\n10 us\n", 1)
    )
    done = run("by-hand", "ask", "--sheet", path, text=f"10 kHz\n{again}\n")
    assert "the sheet has this frequency already" in done.stderr
    assert "2 rows in" in done.output
    assert run("by-hand", "sweep", "--sheet", path, "--out", out).exit_code == 0
    assert load_sweep(out).frequency_hz.tolist() == [1e4, 2e4]


def test_slips_are_asked_again_at_once(tmp_path):
    path = tmp_path / "hand.csv"
    text = (
        "left\nspecimen\nten\n10 ohm\n\n\n\n"
        "ten kHz\n10 kHz\n200\n200 mV\n4.4 div\n4.4 div pp\n100 mV\n5.4 div pp\n"
        "10 us\n60 us\n1.43 div\nC\nA\n"
        "10 kHz\n200 mV\n4.4 div pp\n100 mV\n5.4 div pp\n10 us\n1.43 div\nB\nmaybe\nno\n"
        "10 kHz\n\n4.4 div pp\n\n6.4 div pp\n\n0.43 div\nB\n\n\n"
    )
    done = run("by-hand", "ask", "--sheet", path, text=text)
    assert done.exit_code == 0, done.output
    for said in ("no such choice", "says pp, pk or rms", "more than half a period", "unit is missing",
                 "leads: one of both is meant", "keep it: one of both is meant; got maybe"):  # fmt: skip
        assert said in done.stderr
    assert "# wiring: specimen-at-ground" in path.read_text()
    assert path.read_text().count("\n10 kHz") == 1


def test_nothing_is_lost_when_it_ends_early(tmp_path):
    path = tmp_path / "hand.csv"
    done = run("by-hand", "ask", "--sheet", path, text="shunt\n")
    assert done.exit_code == 3
    assert "not answered to the end" in done.stderr
    assert not path.exists()
    run("by-hand", "ask", "--sheet", path, text=f"{FIRST}{ROW_1}20 kHz\n")
    assert path.read_text().endswith("10 us\n")
    path.write_text(path.read_text()[:-1])  # an editor that leaves the last line open
    done = run("by-hand", "ask", "--sheet", path, text="\n")
    assert "1 row in" in done.output


def test_a_sheet_of_other_columns_is_left_alone(tmp_path):
    path = sheet(tmp_path, VOLTS + "10 kHz,1.2 Vpp ± 2 %,0.6 Vpp ± 2 %,50 deg ± 2 deg\n")
    before = path.read_bytes()
    done = run("by-hand", "ask", "--sheet", path, text="\n")
    assert done.exit_code == 3
    assert path.read_bytes() == before


# -------------------------------------------------------------------------------------------------- meters


@pytest.mark.parametrize(
    ("text", "accuracy", "u"),
    [  # analytic: (share of the reading + digits)/√3
        ("152.0 uH @ 10 kHz", "2 % + 3 digits", (3.04 + 0.3) / ROOT3 * 1e-6),
        ("152 uH @ 10 kHz", "±(2 % + 3 digits)", (3.04 + 3) / ROOT3 * 1e-6),
        ("830 ohm @ 1 MHz", "1 % of reading + 2 counts", 10.3 / ROOT3),
        ("0.152 mH @ 10 kHz", "0.5 % of 200 uH + 2 digits", 3e-6 / ROOT3),
        ("152.0 uH @ 10 kHz, 45 degC", "0.5 uH", 0.5e-6 / ROOT3),
    ],
)
def test_meter_accuracy(text, accuracy, u):
    reading = parse_reading(with_meter_accuracy(text, accuracy))
    # printed with two digits
    assert reading.standard_uncertainty == pytest.approx(u, rel=0.05)
    assert reading.value == parse_reading(text).value
    assert reading.temperature_c == parse_reading(text).temperature_c


@pytest.mark.parametrize(
    ("text", "accuracy", "said"),
    [
        ("152 uH @ 10 kHz", "2 % + ", "cannot be read"),
        ("152 uH @ 10 kHz", "good", "cannot be read"),
        ("152 uH @ 10 kHz", "3 ohm", "unit of resistance, not of inductance"),
        ("3 uH @ 10 kHz", "10 digits", "says nothing"),
        ("152 uH ± 3 uH @ 10 kHz", "2 %", "states its uncertainty already"),
        ("12 kohm", "2 %", "only an inductance"),
        ("152 uH", "2 %", "@ and its frequency"),
    ],
)
def test_meter_accuracy_refused(text, accuracy, said):
    with pytest.raises(InputError, match=said):
        with_meter_accuracy(text, accuracy)


def test_readings_go_into_a_file_that_identify_takes(tmp_path):
    path = tmp_path / "readings.txt"
    done = run("by-hand", "meter", "--reading", "152.0 uH @ 10 kHz", "--reading", "830 ohm @ 1 MHz",
               "--accuracy", "2 % + 3 digits", "--out", path)  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "largely the same in all its readings" in done.stderr
    assert load_readings(path) == ("152.0 uH ± 1.9 uH @ 10 kHz", "830 ohm ± 11 ohm @ 1 MHz")
    again = run("by-hand", "meter", "--reading", "1.0 uH @ 1 kHz", "--accuracy", "2 %", "--out", path)
    assert again.exit_code == 3
    assert "not overwritten" in again.stderr
    path.write_text("# cold\n152 uH @ ten kHz\n")
    with pytest.raises(InputError, match="line 2"):
        load_readings(path)
    path.write_text("# nothing\n")
    with pytest.raises(InputError, match="holds no reading"):
        load_readings(path)


def test_identify_takes_the_file(tmp_path):
    specimen, readings = tmp_path / "ring.toml", tmp_path / "r.txt"
    specimen.write_text(
        '[core]\nshape = "ring"\nouter_diameter = "25.0 mm"\ninner_diameter = "15.0 mm"\nheight = "10.0 mm"\n'
        'dimension_uncertainty = "0.03 mm"\n[winding]\nturns = 10\n'
    )
    readings.write_text("152 uH ± 2 uH @ 10 kHz\n")
    done = run(
        "identify", "--specimen", specimen, "--readings-file", readings, "--library", LIBRARY, "--json"
    )
    assert done.exit_code == 0, done.output
    # analytic: L/L0 with L0 = μ0 N² h ln(d1/d2)/2π = 102.17 nH; copper and leads take less than 1 % off
    assert json.loads(done.stdout)["initial_permeability"]["value"] == pytest.approx(152e3 / 102.17, rel=0.01)
