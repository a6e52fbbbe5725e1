"""``whichcore identify`` with labels, parts lists and second conditions; and their bad input."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from whichcore.analysis.own_parts import Part
from whichcore.cli.root import root
from whichcore.errors import InputError
from whichcore.files import parse_reading, shipped_library, write_material
from whichcore.files.parts_file import load_parts, note_part, user_parts_file

BINS = Path(__file__).resolve().parents[1] / "src" / "whichcore" / "demo_bins"
SPECIMEN, SWEEP = str(BINS / "bin-b.toml"), str(BINS / "bin-b.csv")
MATERIALS = ("nizn-850-derived", "nizn-640-derived", "mnzn-1000-derived", "fesial-75-derived")
READING = "23.6 uH @ 10 kHz"
TABLE = """part,material,count,shape,dimensions
charger choke,mnzn-1000-derived,40,ring,10.1 mm x 5.9 mm x 4.1 mm
EMI ring,nizn-850-derived,10,ring,25 mm x 15 mm x 10 mm
"""


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("library")
    for name in MATERIALS:
        write_material(place, shipped_library()[name])
    return place


@pytest.fixture
def specimen(tmp_path):
    """The core of bin B without what was weighed and probed."""
    text = Path(SPECIMEN).read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if not line.startswith(("mass", "surface"))]
    path = tmp_path / "core.toml"
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    return path


def _run(*words):
    return CliRunner().invoke(root, ["identify", *map(str, words)])


def _verdict(*words):
    done = _run("--json", *words)
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def _class_sum(verdict, start):
    return sum(c["probability"] for c in verdict["candidates"] if c["material"].startswith(start))


def test_each_piece_says_what_it_did(folder, specimen, tmp_path):
    parts = tmp_path / "parts.csv"
    parts.write_text(TABLE, encoding="utf-8")
    words = ["--specimen", specimen, "--library", folder, "--reading", f"{READING}, 23 degC"]
    words += ["--reading", "25 uH @ 10 kHz, 43 degC", "--sold-as", "power", "--parts", parts]
    verdict = _verdict(*words)
    names = [item["name"].split(" (")[0] for item in verdict["evidence"]]
    assert names == ["second temperature", "label", "size"]
    for item in verdict["evidence"]:
        for group in ("classes", "materials"):
            assert set(item[group]) == {"before", "after"}
    done = _run(*words)
    assert "What the other evidence did:" in done.stdout
    assert "label (sold for power)" in done.stdout
    assert "charger choke" in done.stdout
    plain = _verdict(*words[:6])
    assert plain["evidence"] == []
    assert _class_sum(verdict, "mnzn") > _class_sum(plain, "mnzn")


def test_the_users_own_parts_are_taken_without_asking(folder, specimen):
    words = ["--specimen", specimen, "--library", folder, "--reading", READING]
    assert _verdict(*words)["evidence"] == []
    user_parts_file().parent.mkdir(parents=True)
    user_parts_file().write_text(TABLE, encoding="utf-8")
    (item,) = _verdict(*words)["evidence"]
    assert item["name"].startswith("size (charger choke")


def test_the_answer_holds_range_and_use(folder):
    verdict = _verdict("--specimen", SPECIMEN, "--library", folder, "--sweep", SWEEP)
    span = verdict["permeability_range"]
    assert span["low"] < verdict["initial_permeability"]["value"] < span["high"]
    assert span["probability"] == 0.95
    assert verdict["use"] is None or verdict["use"]["probability"] >= 0.8
    done = _run("--specimen", SPECIMEN, "--library", folder, "--sweep", SWEEP)
    assert "This core: " in done.stdout
    assert "(95 %)" in done.stdout


def test_a_second_sweep_on_the_command_line(folder, tmp_path):
    lines = Path(SWEEP).read_text(encoding="utf-8").splitlines()
    warm = tmp_path / "warm.csv"
    told = [line for line in lines if not line.startswith("# temperature")]
    columns = next(line for line in told if not line.startswith("#"))
    assert "impedance_real_ohm" in columns
    warm.write_text("\n".join(["# temperature: 43.0 degC", *told]) + "\n", encoding="utf-8")
    words = ["--specimen", SPECIMEN, "--library", folder, "--sweep", SWEEP, "--second-sweep", warm]
    names = [item["name"] for item in _verdict(*words)["evidence"]]
    assert any(name.startswith("second temperature") for name in names)
    same = _run(*words[:-1], SWEEP)
    assert same.exit_code == 3
    assert "another condition" in same.stderr
    alone = _run("--specimen", SPECIMEN, "--library", folder, "--reading", READING, *words[-2:])
    assert alone.exit_code == 3
    assert "needs a first one" in alone.stderr


@pytest.mark.parametrize("label", ["", "nonsense", "NaN", "-3", "x" * 5000])
def test_a_label_nobody_knows_is_one_line(folder, label):
    done = _run("--specimen", SPECIMEN, "--library", folder, "--reading", READING, "--sold-as", label)
    assert done.exit_code == 3
    (line,) = [text for text in done.stderr.splitlines() if text.startswith("whichcore:")]
    assert "sold as" in line


# --- the parts list -----------------------------------------------------------------------------------------


def _file(tmp_path, text):
    path = tmp_path / "parts.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_a_parts_list_is_read(tmp_path):
    parts = load_parts(
        _file(tmp_path, TABLE.replace("dimensions\n", "dimensions,tolerance\n").replace("mm\n", "mm,\n"))
    )
    assert parts[0] == Part("charger choke", "mnzn-1000-derived", 40, "ring", (10.1e-3, 5.9e-3, 4.1e-3))
    stated = "part,material,count,shape,dimensions,tolerance\na,b,1,rod,8 mm x 40 mm,2 %\n"
    assert load_parts(_file(tmp_path, stated))[0].tolerance == pytest.approx(0.02)


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ("40,ring", "0,ring", "line 2, count"),
        ("40,ring", "-4,ring", "line 2, count"),
        ("40,ring", "NaN,ring", "line 2, count"),
        ("40,ring", f"{'9' * 30},ring", "line 2, count"),
        ("40,ring", ",ring", "line 2, count"),
        ("40,ring", "40,rign", "line 2, shape"),
        ("10.1 mm x 5.9 mm x 4.1 mm", "10.1 mm x 5.9 mm", "line 2, dimensions"),
        ("10.1 mm x 5.9 mm x 4.1 mm", "10.1 x 5.9 x 4.1 mm", "line 2, dimensions"),
        ("10.1 mm", "-10.1 mm", "line 2, dimensions"),
        ("charger choke", "", "line 2, part"),
        (",mnzn-1000-derived", ",", "line 2, material"),
        ("material", "grade", "parts.csv"),
        (",ring,10.1 mm x 5.9 mm x 4.1 mm\n", "\n", "line 2"),
    ],
)
def test_a_wrong_parts_list_is_one_clear_line(tmp_path, old, new, place):
    with pytest.raises(InputError) as told:
        load_parts(_file(tmp_path, TABLE.replace(old, new, 1)))
    assert place in told.value.where
    assert "\n" not in told.value.one_line()


@pytest.mark.parametrize("text", ["", "part,material,count,shape,dimensions\n", b"\xff\xfe\x00", TABLE[:-30]])
def test_a_broken_parts_list_is_refused(tmp_path, text):
    with pytest.raises(InputError):
        load_parts(_file(tmp_path, text))


def test_a_missing_parts_list_is_refused(folder):
    done = _run("--specimen", SPECIMEN, "--library", folder, "--reading", READING, "--parts", "nowhere.csv")
    assert done.exit_code == 3
    assert "nowhere.csv" in done.stderr


def test_a_part_is_noted_once_and_then_counted(tmp_path):
    path = tmp_path / "new" / "parts.csv"
    part = Part("ring, green", "mine", 1, "ring", (25e-3, 15e-3, 10e-3))
    assert note_part(path, part)
    assert not note_part(path, part)
    assert note_part(path, Part("other", "mine", 1, "rod", (8e-3, 40e-3)))
    first, second = load_parts(path)
    assert (first.name, first.count, second.shape) == ("ring, green", 2, "rod")
    assert first.dimensions_m == pytest.approx(part.dimensions_m)


def test_a_known_core_is_noted_by_its_size(home):
    words = ["library", "add", "--specimen", SPECIMEN, "--sweep", SWEEP, "--id", "own-1", "--name", "own"]
    done = CliRunner().invoke(root, [*words, "--class", "NiZn", "--part", "green bead"])
    assert done.exit_code == 0, done.output
    assert "1 of 1 cores noted" in done.stdout
    (part,) = load_parts(home / "library" / "parts.csv")
    assert (part.name, part.material, part.count, part.shape) == ("green bead", "own-1", 1, "ring")
    # the dimensions of the specimen file of bin B
    assert part.dimensions_m == pytest.approx((10.09e-3, 5.91e-3, 4.12e-3))


# --- readings with conditions -------------------------------------------------------------------------------


def test_conditions_stand_behind_the_frequency():
    reading = parse_reading("152 uH ± 1 uH @ 10 kHz, 45 degC, 2 mT")
    assert (reading.temperature_c, reading.flux_density_t) == (45.0, 2e-3)
    assert parse_reading("152 uH @ 10 kHz,2 mT").flux_density_t == 2e-3
    assert parse_reading("152 uH @ 10 kHz").temperature_c is None
    assert parse_reading("1.5 kohm @ 1 MHz, 318.15 K").temperature_c == pytest.approx(45)


@pytest.mark.parametrize(
    "text",
    [
        "152 uH @ 10 kHz,",
        "152 uH @ 10 kHz, 45",
        "152 uH @ 10 kHz, 45 mH",
        "152 uH @ 10 kHz, 45 degC, 50 degC",
        "152 uH @ 10 kHz, 2 mT, 3 mT",
        "152 uH @ 10 kHz, 0 mT",
        "152 uH @ 10 kHz, -2 mT",
        "152 uH @ 10 kHz, nan degC",
        "152 uH @ 10,5 kHz",
        "152 uH @ , 45 degC",
    ],
)
def test_wrong_conditions_are_one_clear_line(text):
    with pytest.raises(InputError) as told:
        parse_reading(text)
    assert "\n" not in told.value.one_line()
