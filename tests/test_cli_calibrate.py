"""``calibrate`` as a command: guided, doubted, asked again, refused; and what is used of it later."""

import json
import signal
import subprocess
import sys
import time
from functools import partial

import numpy as np
import pytest
from click.testing import CliRunner

from bench_of_its_own import BAND, Hands, write_bench
from whichcore.analysis.permeability import permeability
from whichcore.cli.root import root
from whichcore.files import load_specimen, load_sweep
from whichcore.measure import CalibrationPlan, load_calibration
from whichcore.rig.virtual import VirtualBench, WoundCore, core


def run(*words):
    return CliRunner().invoke(root, [str(word) for word in words])


class Place:
    def __init__(self, folder, virtual, hands):
        self.folder, self.virtual, self.hands = folder, virtual, hands
        self.bench = write_bench(folder, virtual)

    def calibrate(self, *more, bench=None):
        return run("calibrate", "--bench", bench or self.bench, *BAND, *more)

    def is_off(self):
        return not self.virtual.state()["output"]

    def kept(self):
        return sorted((self.folder / "home" / "calibrations").glob("*.npz"))


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    folder = tmp_path_factory.mktemp("room")
    with VirtualBench(seed=4) as virtual, pytest.MonkeyPatch.context() as patch:
        patch.setenv("WHICHCORE_HOME", str(folder / "home"))
        hands = Hands(virtual)
        patch.setattr("whichcore.cli.at_bench.TerminalOperator.fit", hands.fit)
        quick = partial(CalibrationPlan, most_takes=2, tie_frequencies=3)
        patch.setattr("whichcore.cli.calibrate.CalibrationPlan", quick)
        yield Place(folder, virtual, hands)


@pytest.fixture
def place(room):
    room.virtual.clear_faults()
    room.virtual.do(wiring="shunt-at-ground")
    room.hands.instead, room.hands.asked = {}, []
    for path in room.kept():
        path.unlink()
    return room


THREE = ("--standards", "open,short,load")
FOUR = ("--standards", "open,short,load,kilohm")


def lines_of_error(done):
    return [line for line in done.stderr.splitlines() if line.startswith("whichcore: ")]


# --- guided -------------------------------------------------------------------------------------------------


def test_all_standards_are_taken_in_an_order_that_spares_hands(place):
    done = place.calibrate("--standards", "open,short,load,kilohm,mica,resistor", "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    # tied and open leave the terminals empty; the load stands at the beginning and at the end
    wanted = ["tied", "open", "load", "kilohm", "resistor", "short", "mica", "load"]
    assert place.hands.asked == wanted
    assert told["standards"] == ["open", "load", "kilohm", "resistor", "short", "mica"]
    rows = told["quality"]["standards"]
    assert [row["name"] for row in rows] == told["standards"]
    # six parts, three unknowns: what stands in the sum of leverages is three at each frequency (analytic)
    model = load_calibration(place.kept()[0]).model
    assert model.details["leverage"].sum(axis=0) == pytest.approx(np.full(5, 3.0), abs=1e-9)
    assert all(0 < row["misfit_max"] < 3.5 for row in rows)
    assert told["drift"]["part"] == "load"
    assert not told["drift"]["significant"]
    assert told["plane"] == "terminals"
    assert told["attempts"] == dict.fromkeys(told["standards"], 1)
    assert place.is_off()


def test_it_says_which_part_is_next_and_what_for(place):
    done = place.calibrate(*FOUR, "--temperature", "23 degC")
    assert done.exit_code == 0, done.output
    for text in ("Part 1 of 4, open", "Part 4 of 4, short", "called zero", "sets the scale", "once more"):
        assert text in done.stderr
    assert "no drift beyond its uncertainty" in " ".join(done.stdout.split())
    assert "stands alone" in done.stdout
    assert "Next: whichcore verify" in done.stdout
    assert load_calibration(place.kept()[0]).header["temperature_c"] == 23.0


@pytest.mark.parametrize(
    ("names", "told"),
    [
        ("open,shrt,load", "did you mean short"),
        ("open,,load", "commas"),
        ("open,load", "give no model"),
        ("open,open,load", "named twice"),
        ("open,short,load,empty", "--specimen"),
        ("", "commas"),
    ],
)
def test_names_that_do_not_do_are_one_line_and_code_2(place, names, told):
    done = place.calibrate("--standards", names)
    assert done.exit_code == 2  # the contract: called wrongly
    assert told in done.stderr
    assert done.stderr.count("\n") == 1
    assert place.hands.asked == []


def test_none_takes_the_shunt_alone(place):
    done = place.calibrate("--standards", "none", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["error_model"] == "ratio"
    assert place.hands.asked == ["tied"]


# --- doubt --------------------------------------------------------------------------------------------------


@pytest.mark.soak
def test_a_wrong_part_is_asked_for_again(place):
    place.hands.instead = {"short": ["open", "short"]}
    done = place.calibrate(*THREE, "--json")
    assert done.exit_code == 0, done.output
    assert "Attempt 1 of 3: " in done.stderr
    assert "looks like an open: fit the short" in done.stderr
    assert place.hands.asked.count("short") == 2
    assert json.loads(done.stdout)["attempts"]["short"] == 2


@pytest.mark.parametrize(
    ("instead", "told"),
    [
        ({"open": ["short"], "short": ["open"]}, "this is not the open"),
        ({"short": ["load"]}, "looks like the load"),
        pytest.param({"open": ["load"]}, "looks like the load", marks=pytest.mark.soak),
        pytest.param({"kilohm": ["open"]}, "looks like an open", marks=pytest.mark.soak),
        pytest.param({"kilohm": ["load"]}, "looks like the load", marks=pytest.mark.soak),
    ],
)
def test_swapped_and_forgotten_parts_end_it_after_three_attempts(place, instead, told):
    place.hands.instead = instead
    done = place.calibrate("--standards", "open,short,load,kilohm")
    assert done.exit_code == 5  # the contract: calibration refused
    (line,) = lines_of_error(done)
    assert told in line
    assert place.hands.asked.count(next(iter(instead))) == 3
    assert place.kept() == []
    assert place.is_off()


@pytest.mark.soak
def test_a_forgotten_capacitor_is_seen_where_it_can_be(place):
    place.hands.instead = {"mica": ["open"]}
    done = place.calibrate("--standards", "open,short,load,mica")
    assert done.exit_code == 5
    assert "this is not the mica" in lines_of_error(done)[0]


@pytest.mark.soak
def test_a_dirty_contact_is_asked_about_once_and_then_told(place):
    """With the specimen at ground, where a low resistance is read well."""
    place.virtual.do(wiring="specimen-at-ground")
    ground = write_bench(place.folder, place.virtual, "specimen-at-ground", "ground.toml")
    place.hands.instead = {"short": ["loose-short", "short"]}
    done = place.calibrate(*THREE, "--json", bench=ground)
    assert done.exit_code == 0, done.output
    assert "Clean its contacts" in done.stderr
    assert json.loads(done.stdout)["warnings"] == []
    place.hands.instead = {"short": ["loose-short"]}
    done = place.calibrate(*THREE, "--json", bench=ground)
    assert done.exit_code == 0, done.output  # long leads may read so too: told, not refused
    (text,) = json.loads(done.stdout)["warnings"]
    assert "the short reads 0.3" in text  # 301 mΩ of the fixture and 22 mΩ of leads, less 1 mΩ of the label
    assert json.loads(done.stdout)["remarks"] == [text]
    assert place.hands.asked[-6:].count("short") == 2


@pytest.mark.soak
def test_a_load_wound_of_wire_is_found_by_the_others(place):
    """1.04 µH in 50 Ω: three standards believe it, six name it."""
    place.hands.instead = {"load": ["wound-load"]}
    done = place.calibrate("--standards", "open,short,load,kilohm,mica,resistor")
    assert done.exit_code == 5
    (line,) = lines_of_error(done)
    assert "load" in line
    assert "contradict" in line
    assert "The load once more" in done.stderr
    assert place.hands.asked.count("load") >= 2  # nothing else is measured again
    assert place.hands.asked.count("short") == 1
    assert place.kept() == []


@pytest.mark.soak
def test_a_part_that_was_wrong_once_is_repaired_in_the_same_run(place):
    place.hands.instead = {"load": ["wound-load", "load"]}
    done = place.calibrate("--standards", "open,short,load,kilohm,mica,resistor", "--json")
    assert done.exit_code == 0, done.output
    assert "contradict" in done.stderr
    told = json.loads(done.stdout)
    assert told["attempts"]["load"] == 2
    assert all(row["misfit_max"] < 3.5 for row in told["quality"]["standards"])


# --- drift --------------------------------------------------------------------------------------------------


@pytest.mark.soak
def test_a_bench_that_was_moved_is_refused(place):
    place.hands.instead = {"load": ["load", "wound-load"]}
    done = place.calibrate(*THREE)
    assert done.exit_code == 5
    assert "the bench moved" in lines_of_error(done)[0]
    assert place.kept() == []


# --- wrong input --------------------------------------------------------------------------------------------


def test_a_tolerance_of_zero_counts_as_exact(place):
    exact = write_bench(
        place.folder, place.virtual, name="exact.toml", load=('tolerance = "0.1 %"', 'tolerance = "0 %"')
    )
    done = place.calibrate(*THREE, "--json", bench=exact)
    assert done.exit_code == 0, done.output
    model = load_calibration(place.kept()[0]).model
    assert "standard load: resistance" not in {item.id for item in model.perturbations}


@pytest.mark.parametrize("text", ['"-1 %"', '"nan %"', '"ten"', '""', "0"])
def test_a_tolerance_that_is_none_is_code_3(place, text):
    faulty = write_bench(
        place.folder, place.virtual, name="f.toml", load=('tolerance = "0.1 %"', f"tolerance = {text}")
    )
    done = place.calibrate(bench=faulty)
    assert done.exit_code == 3
    assert done.stderr.startswith("whichcore: ")
    assert done.stderr.count("\n") == 1
    assert place.hands.asked == []


@pytest.fixture
def swept(place):
    assert place.calibrate(*THREE).exit_code == 0
    item = WoundCore(core("bin-h"), 10)
    (place.folder / "ring.toml").write_text(item.specimen_toml())
    place.virtual.fit("core", core="bin-h", turns=10)

    def sweep(*more, bench=None):
        files = ("--bench", bench or place.bench, "--specimen", place.folder / "ring.toml")
        out = place.folder / "ring.csv"
        out.unlink(missing_ok=True)
        level = () if "--drive" in more else ("--flux-density", "0.5 mT")
        return run("sweep", *files, "--out", out, *level, *more)

    return sweep


def test_a_corrupted_calibration_is_code_5(place, swept):
    path = place.kept()[0]
    whole = path.read_bytes()
    for content in (whole[:-200], b"", b"no calibration", whole[:1000] + b"\x00" + whole[1001:]):
        path.write_bytes(content)
        done = swept()
        assert done.exit_code == 5
        assert done.stderr.count("\n") == 1
        assert "damaged" in done.stderr
    assert place.is_off()


def test_another_bench_or_shunt_is_code_5(place, swept):
    path = place.kept()[0]
    other = write_bench(
        place.folder, place.virtual, name="other.toml", shunt=("[shunt]\n", '[shunt]\nname = "the other"\n')
    )
    assert swept(bench=other).exit_code == 5
    done = swept("--calibration", path, bench=other)
    assert done.exit_code == 5
    assert "another set-up" in done.stderr
    assert "shunt" in done.stderr
    assert not (place.folder / "ring.csv").exists()


@pytest.mark.soak
def test_ranges_that_were_not_tied_are_not_used(place, swept):
    """A calibration whose tied ranges end below what a strong drive needs: 0.4 V is the widest of them."""
    weak = write_bench(place.folder, place.virtual, name="weak.toml", level=('"2 V"', '"50 mV"'))
    done = place.calibrate(*THREE, "--out", place.folder / "weak.npz", bench=weak)
    assert done.exit_code == 0, done.output
    place.virtual.fit("core", core="bin-h", turns=10)
    done = swept("--calibration", place.folder / "weak.npz", "--drive", "2 V")
    assert done.exit_code == 4, done.output
    assert "channel A is clipped in its widest range, 0.4 V" in done.stderr
    assert done.stderr.count("\n") == 1
    assert place.is_off()


# --- the plane of an empty winding --------------------------------------------------------------------------


@pytest.mark.soak
def test_a_powder_core_above_its_empty_winding(place):
    """μ of some tens by the winding on a former: the one is added, copper and leads have no part."""
    item = WoundCore(core("bin-l"), 30)
    card = place.folder / "powder.toml"
    card.write_text(item.specimen_toml())
    place.virtual.fit("core", core="bin-l", turns=30)
    out = place.folder / "empty.npz"
    words = ("--standards", "open,short,load,empty", "--specimen", card, "--out", out)
    done = place.calibrate(*words)
    assert done.exit_code == 0, done.output
    assert "the winding without its core" in done.stderr
    assert "empty winding of 30 turns" in done.stdout
    assert place.hands.asked[-1] == "empty"
    place.virtual.fit("core", core="bin-l", turns=30)
    csv = place.folder / "powder.csv"
    files = ("--bench", place.bench, "--specimen", card, "--out", csv, "--calibration", out)
    done = run("sweep", *files, "--flux-density", "0.5 mT", "--json")
    assert done.exit_code == 0, done.output
    assert "# plane: empty winding" in csv.read_text()
    specimen, sweep = load_specimen(card), load_sweep(csv)
    spectrum = permeability(sweep, specimen)
    s = 2j * np.pi * sweep.frequency_hz
    truth = item.core_port().impedance(s) / item.emptied().core_port().impedance(s)  # independent code
    variance = np.trace(spectrum.scatter, axis1=1, axis2=2)
    variance = variance + sum(np.abs(source.sensitivity) ** 2 for source in spectrum.sources)
    off = np.abs(spectrum.permeability - truth)
    assert 20 < truth[0].real < 130
    assert np.all(off < 3 * np.sqrt(variance)), (off / np.sqrt(variance)).tolist()
    other = place.folder / "turns.toml"
    other.write_text(WoundCore(core("bin-l"), 25).specimen_toml())
    done = run("sweep", "--bench", place.bench, "--specimen", other, "--out", csv, "--calibration", out)
    assert done.exit_code == 5
    assert "25 turns" in done.stderr


@pytest.mark.soak
def test_a_core_left_in_is_not_an_empty_winding(place):
    card = place.folder / "powder.toml"
    card.write_text(WoundCore(core("bin-l"), 30).specimen_toml())
    real = place.hands.virtual

    class Forgetful:
        def fit(self, name):
            if name == "empty":
                return real.fit("core", core="bin-l", turns=30)
            return real.fit(name)

    place.hands.virtual = Forgetful()
    try:
        done = place.calibrate("--standards", "open,short,load,empty", "--specimen", card)
    finally:
        place.hands.virtual = real
    assert done.exit_code == 5
    assert "this is not the empty" in lines_of_error(done)[0]
    assert "core is still in it" in lines_of_error(done)[0]
    assert place.hands.asked.count("empty") == 3


# --- stopping -----------------------------------------------------------------------------------------------


def started(place, **pipes):
    code = "from whichcore.cli import main; main()"
    words = [sys.executable, "-c", code, "calibrate", "--bench", str(place.bench), *BAND, *THREE]
    return subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **pipes
    )


def until(process, text):
    heard = ""
    while text not in heard:
        line = process.stderr.readline()
        assert line, heard
        heard += line
    return heard


@pytest.mark.soak
def test_stopped_at_the_prompt_or_in_a_fixture_nothing_is_kept(place):
    process = started(place)
    heard = until(process, "press Enter")
    assert "mains earth" in heard  # the caution comes before anything is fitted
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=120)
    assert process.returncode == 130, err
    assert place.kept() == []
    process = started(place)
    until(process, "press Enter")
    place.virtual.fit("tied")
    process.stdin.write("\n")
    process.stdin.flush()
    until(process, "leave the terminals open")
    place.virtual.fit("open")
    process.stdin.write("\n")
    process.stdin.flush()
    time.sleep(0.5)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=120)
    assert process.returncode == 130, err
    assert [line for line in err.splitlines() if line.startswith("whichcore: ")]
    assert place.kept() == []
    assert place.is_off()


@pytest.mark.soak
def test_a_closed_input_ends_it_in_the_middle(place):
    process = started(place)
    until(process, "press Enter")
    place.virtual.fit("tied")
    _, err = process.communicate("\n", timeout=120)
    assert process.returncode == 130
    assert "nobody is there to fit it" in err
    assert place.kept() == []
    assert place.is_off()
