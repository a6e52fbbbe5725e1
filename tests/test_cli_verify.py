"""``verify`` as a command: pass, fail, exit codes, and the trend that is kept."""

import json
from functools import partial

import pytest
from click.testing import CliRunner

from bench_of_its_own import BAND, Hands, write_bench
from whichcore.cli.root import root
from whichcore.measure import CalibrationPlan, load_calibration, save_calibration
from whichcore.measure.trend import trend_path
from whichcore.measure.verify import VerificationPlan
from whichcore.rig.virtual import VirtualBench, WoundCore, core


def run(*words):
    return CliRunner().invoke(root, [str(word) for word in words])


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    """A bench calibrated with three of its parts; the others are there to check it."""
    folder = tmp_path_factory.mktemp("room")
    with VirtualBench(seed=4) as virtual, pytest.MonkeyPatch.context() as patch:
        patch.setenv("WHICHCORE_HOME", str(folder / "home"))
        hands = Hands(virtual)
        patch.setattr("whichcore.cli.at_bench.TerminalOperator.fit", hands.fit)
        quick = partial(CalibrationPlan, most_takes=4, tie_frequencies=3)
        patch.setattr("whichcore.cli.calibrate.CalibrationPlan", quick)
        patch.setattr("whichcore.cli.verify.VerificationPlan", partial(VerificationPlan, most_takes=4))
        bench = write_bench(folder, virtual)
        done = run("calibrate", "--bench", bench, *BAND, "--standards", "open,short,load")
        assert done.exit_code == 0, done.output
        yield folder, virtual, hands, bench


@pytest.fixture
def place(room):
    _, virtual, hands, _ = room
    virtual.clear_faults()
    hands.instead, hands.asked = {}, []
    for path in trend_path("bench", "x").parent.glob("*.jsonl"):
        path.unlink()
    return room


def verify(place, *more, bench=None):
    return run("verify", "--bench", bench or place[3], *more)


def test_sound_parts_pass_and_are_kept(place):
    done = verify(place, "--part", "resistor", "--part", "kilohm", "--part", "mica", "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["format"] == "whichcore-verification-result/1"
    assert told["passed"] is True
    assert [part["part"] for part in told["parts"]] == ["resistor", "kilohm", "mica"]
    for part in told["parts"]:
        assert not part["used_in_calibration"]
        assert part["checks_kept"] == 1
        assert part["change_since_first"] is None
        assert part["false_alarm"] == 0.01
        assert len(part["points"]) == 5
        for point in part["points"]:
            assert point["passed"]
            assert point["u_real"] < point["allowed_real"] < 6 * point["u_real"]
    # outside: the fixture is 200.31 Ω where 200 Ω is written on it (electronics.toml)
    first = told["parts"][0]["points"][0]
    assert abs(first["deviation_real"] - 0.31 / 200) < 3 * first["u_real"]
    assert place[2].asked == ["resistor", "kilohm", "mica"]
    assert not place[1].state()["output"]


def test_a_part_far_from_its_label_fails_with_code_5(place):
    place[2].instead = {"resistor": ["kilohm"], "load": ["wound-load"]}
    done = verify(place, "--part", "resistor")
    assert done.exit_code == 5
    assert "this is not the resistor" in done.stderr
    assert "looks like the kilohm" in done.stderr
    assert place[2].asked == ["resistor"] * 3
    assert not trend_path("bench", "resistor").exists()
    done = verify(place, "--part", "load")
    assert done.exit_code == 5  # a failed check is a calibration refused: documented in the help
    assert "load: fail." in done.stdout
    assert "beyond" in done.stdout
    assert "clean the contacts of load" in " ".join(done.stdout.split())
    assert "The calibration was made with the load" in " ".join(done.stdout.split())
    assert trend_path("bench", "load").exists()


def test_one_failing_part_of_two_is_told_apart(place):
    place[2].instead = {"load": ["wound-load"]}
    done = verify(place, "--part", "kilohm", "--part", "load", "--json")
    assert done.exit_code == 5
    told = json.loads(done.stdout)
    assert told["passed"] is False
    assert [part["passed"] for part in told["parts"]] == [True, False]


def test_the_trend_is_shown_with_what_moved(place):
    assert verify(place, "--part", "load").exit_code == 0
    place[2].instead = {"load": ["wound-load"]}
    done = verify(place, "--part", "load", "--json")
    part = json.loads(done.stdout)["parts"][0]
    assert part["checks_kept"] == 2
    # computed: 1.04 µH instead of 4 nH beside 50 Ω at the middle frequency, 200 kHz: 26 mrad
    assert part["change_since_first"][1] == pytest.approx(0.026, abs=0.004)
    done = verify(place, "--part", "load")
    assert "3 checks with the load so far" in done.stdout
    assert done.stdout.count("fail") >= 2


def test_a_damaged_trend_is_told_and_kept(place):
    assert verify(place, "--part", "load").exit_code == 0
    path = trend_path("bench", "load")
    with path.open("ab") as file:
        file.write(b'{"format": "whichc')
    before = path.read_bytes()
    done = verify(place, "--part", "load", "--json")
    assert done.exit_code == 0
    told = json.loads(done.stdout)
    assert any("cut off" in text for text in told["warnings"])
    assert any("line 2 is damaged" in text for text in told["warnings"])
    assert told["parts"][0]["checks_kept"] == 2
    assert path.read_bytes().startswith(before + b"\n")


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        ((), 2, "has to be named"),
        (("--part", "resitor"), 2, "did you mean resistor"),
        (("--part", "empty"), 2, "no such known part"),
        (("--part", "load", "--part", "load"), 2, "named twice"),
        (("--part", "load", "--from", "1k"), 5, "band"),
        (("--part", "load", "--from", "x"), 3, "--from"),
        (("--part", "load", "--temperature", "warm"), 3, "--temperature"),
        (("--part", "load", "--calibration", "nowhere.npz"), 5, "no such calibration"),
    ],
)
def test_what_cannot_be_is_one_line(place, words, code, told):
    done = verify(place, *words)
    assert done.exit_code == code, done.output
    assert told in done.stderr
    assert done.stderr.count("\n") == 1
    assert place[2].asked == []


def test_another_set_up_age_and_temperature_are_flagged(place):
    folder, virtual, _, _ = place
    (path,) = (folder / "home" / "calibrations").glob("*.npz")
    other = write_bench(folder, virtual, name="o.toml", shunt=("[shunt]\n", '[shunt]\nname = "the other"\n'))
    done = verify(place, "--part", "load", "--calibration", path, bench=other)
    assert done.exit_code == 5
    assert "another set-up" in done.stderr
    stored = load_calibration(path)
    header = {**stored.header, "started": "2020-01-01T00:00:00+00:00", "temperature_c": 10.0}
    old = save_calibration(type(stored)(stored.model, stored.ranges, header), folder / "old.npz")
    done = verify(place, "--part", "load", "--calibration", old, "--temperature", "30 degC", "--json")
    assert done.exit_code == 0, done.output
    texts = json.loads(done.stdout)["warnings"]
    assert any("days old" in text for text in texts)
    assert any("10 °C" in text for text in texts)
    # and so does a sweep
    item = WoundCore(core("bin-h"), 10)
    (folder / "ring.toml").write_text(item.specimen_toml())
    virtual.fit("core", core="bin-h", turns=10)
    files = ("--bench", place[3], "--specimen", folder / "ring.toml", "--out", folder / "ring.csv")
    done = run("sweep", *files, "--calibration", old, "--flux-density", "0.5 mT", "--json")
    assert done.exit_code == 0, done.output
    texts = json.loads(done.stdout)["warnings"]
    assert any("days old" in text for text in texts)
    assert any("10 °C" in text for text in texts)


def test_two_windings_have_no_known_part(place):
    bench = write_bench(place[0], place[1], "two-windings", "two.toml")
    done = verify(place, "--part", "load", bench=bench)
    assert done.exit_code == 2
    assert "two windings" in done.stderr
    assert done.stderr.count("\n") == 1
