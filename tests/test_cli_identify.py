"""``whichcore identify``: the JSON contract, the answer in words, and every bad input."""

import json
import math
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from rich.cells import cell_len

from whichcore import identify, load_library, load_specimen, load_sweep
from whichcore.cli.root import root
from whichcore.files import shipped_library, write_material

BINS = Path(__file__).resolve().parents[1] / "src" / "whichcore" / "demo_bins"
SPECIMEN, SWEEP = str(BINS / "bin-b.toml"), str(BINS / "bin-b.csv")
MATERIALS = ("nizn-850-derived", "nizn-640-derived", "mnzn-2300-derived", "fesial-75-derived")


@pytest.fixture(autouse=True)
def _home(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("COLUMNS", raising=False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A library of four materials."""
    place = tmp_path_factory.mktemp("library")
    shipped = shipped_library()
    for name in MATERIALS:
        write_material(place, shipped[name])
    return place


def _run(*words):
    return CliRunner().invoke(root, ["identify", *map(str, words)])


def _refuse_nan(word):
    raise AssertionError(f"{word} in the JSON")


def _object(done):
    return json.loads(done.stdout, parse_constant=_refuse_nan)


def _variant(tmp_path, points):
    """Write the sweep of bin B with only some of its rows."""
    lines = Path(SWEEP).read_text(encoding="utf-8").splitlines()
    first = next(i for i, line in enumerate(lines) if not line.startswith("#"))
    rows = [line for line in lines[first + 1 :] if points(float(line.split(",")[0]))]
    assert rows
    path = tmp_path / "part.csv"
    path.write_text("\n".join([*lines[: first + 1], *rows]) + "\n", encoding="utf-8")
    return path


# --- the JSON contract --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "evidence",
    [
        ["--sweep", SWEEP],
        ["--reading", "152 uH @ 10 kHz"],
        ["--sweep", SWEEP, "--reading", "23 ohm ± 1 ohm @ 100 kHz", "--surface-resistance", "> 20 Mohm"],
    ],
)
def test_json_has_the_shape_of_the_contract(folder, evidence):
    done = _run("--specimen", SPECIMEN, "--library", folder, "--json", *evidence)
    assert done.exit_code == 0, done.stderr
    found = _object(done)
    assert found["format"] == "whichcore-verdict/1"
    assert set(found["verdict"]) == {"kind", "materials", "class", "probability"}
    assert found["verdict"]["kind"] in {"material", "group", "class", "unlisted", "undecided"}
    listed = [candidate["probability"] for candidate in found["candidates"]]
    assert {candidate["material"] for candidate in found["candidates"]} == set(MATERIALS)
    assert listed == sorted(listed, reverse=True)
    # the contract: within 1e-9
    assert math.isclose(math.fsum(listed) + found["unlisted_probability"], 1.0, abs_tol=1e-9)
    assert set(found["initial_permeability"]) == {
        "value",
        "standard_uncertainty",
        "frequency_hz",
        "flux_density_t",
        "temperature_c",
    }
    assert isinstance(found["warnings"], list)
    assert found["next_measurement"].endswith(".")


def test_json_is_what_python_returns(folder):
    done = _run("--specimen", SPECIMEN, "--sweep", SWEEP, "--library", folder, "--json")
    verdict = identify(load_specimen(SPECIMEN), sweep=load_sweep(SWEEP), library=load_library(folder))
    assert _object(done) == verdict.to_dict()


def test_without_library_the_shipped_and_the_users_are_used(tmp_path, folder):
    shutil.copytree(folder, tmp_path / "home" / "library")
    own = tmp_path / "home" / "library" / "mnzn-2300-derived.toml"
    own.write_text(own.read_text(encoding="utf-8").replace('"mnzn-2300-derived"', '"mine"'), encoding="utf-8")
    done = _run("--specimen", SPECIMEN, "--reading", "152 uH @ 10 kHz", "--json")
    names = {candidate["material"] for candidate in _object(done)["candidates"]}
    # the three copies whose ids are those of shipped materials take these out with them
    assert names == {m.id for m in shipped_library().materials} - set(MATERIALS[:2] + MATERIALS[3:]) | {
        "mine"
    }
    assert "library check" in done.stderr


# --- in words -----------------------------------------------------------------------------------------------


def test_the_answer_in_words(folder):
    done = _run("--specimen", SPECIMEN, "--sweep", SWEEP, "--library", folder)
    assert done.exit_code == 0
    verdict = identify(load_specimen(SPECIMEN), sweep=load_sweep(SWEEP), library=load_library(folder))
    first = verdict.candidates[0]
    assert f"{first.points_used} of {first.points_total}" in done.stdout
    assert "Measured μ′ = " in done.stdout
    assert " ± " in done.stdout
    assert "None of these: " in done.stdout
    assert "surface resistance: " in done.stdout
    assert "density: " in done.stdout
    assert f"Next: {verdict.next_measurement[:20]}" in done.stdout
    assert "\x1b" not in done.output
    for text in verdict.warnings:
        assert done.stderr.count(f"warning: {text}\n") == 1
        assert text not in done.stdout


@pytest.mark.parametrize("width", [40, 60])
def test_a_narrow_terminal_stays_readable(folder, monkeypatch, width):
    words = ["--specimen", SPECIMEN, "--sweep", SWEEP, "--library", folder]
    wide = _run(*words).stdout
    monkeypatch.setenv("COLUMNS", str(width))
    narrow = _run(*words).stdout
    assert max(cell_len(line) for line in narrow.splitlines()) <= width
    assert "…" not in narrow
    # every word of the wide answer is there, only broken elsewhere
    told = set(narrow.replace(":", "").split())
    # but for the head of the column that names the rows
    assert set(wide.replace("─", "").replace(":", "").split()) - told <= {"material"}


def test_a_name_out_of_a_file_cannot_steer_the_terminal(folder, tmp_path):
    shutil.copytree(folder, tmp_path / "odd")
    for file in (tmp_path / "odd").glob("*.toml"):
        text = file.read_text(encoding="utf-8").replace('name = "', 'name = "\\u001b[31m[red]')
        file.write_text(text, encoding="utf-8")
    done = _run("--specimen", SPECIMEN, "--sweep", SWEEP, "--library", tmp_path / "odd")
    assert done.exit_code == 0
    assert "\x1b" not in done.output
    assert "\ufffd[31m[red]" in done.stdout


def test_warnings_of_the_readers_are_told_once(folder, tmp_path):
    lines = [line for line in Path(SWEEP).read_text(encoding="utf-8").splitlines() if line[0] != "#"]
    head, *rows = [",".join(line.split(",")[:3]) for line in lines]
    plain = tmp_path / "plain.csv"
    plain.write_text("\n".join([head, *rows[::-1]]) + "\n", encoding="utf-8")
    done = _run("--specimen", SPECIMEN, "--sweep", plain, "--library", folder, "--json")
    assert done.exit_code == 0, done.stderr
    warnings = _object(done)["warnings"]
    for told in ("scatter is estimated", "they have been sorted"):
        assert sum(told in text for text in warnings) == 1
        assert done.stderr.count(told) == 1


def test_the_surface_resistance_given_takes_the_place_of_the_files(folder):
    words = ["--specimen", SPECIMEN, "--reading", "10.5 uH @ 10 kHz", "--library", folder, "--json"]
    told = _object(_run(*words, "--surface-resistance", "2 kohm"))
    assert any("takes the place" in text for text in told["warnings"])

    def manganese(found):
        return next(c["probability"] for c in found["candidates"] if c["material"].startswith("mnzn"))

    # a surface of kilohms is manganese-zinc's, one beyond 20 MΩ is not [practice]
    assert manganese(told) > manganese(_object(_run(*words)))


def test_pictures_on_request(folder, tmp_path):
    place = tmp_path / "new" / "pictures"
    done = _run("--specimen", SPECIMEN, "--sweep", SWEEP, "--library", folder, "--figures", place, "--dark")
    assert done.exit_code == 0
    kinds = ("impedance", "permeability", "decision", "gap-invariant", "candidates")
    assert {path.name for path in place.iterdir()} == {
        f"bin-b-{k}.{e}" for k in kinds for e in ("svg", "png")
    }
    assert done.stderr.count("written: ") == 10
    assert "written" not in done.stdout


# --- data that say little -----------------------------------------------------------------------------------


def test_a_single_point_is_answered(folder, tmp_path):
    sweep = _variant(tmp_path, lambda f: f == 1e3)
    done = _run("--specimen", SPECIMEN, "--sweep", sweep, "--library", folder, "--json")
    assert done.exit_code == 0, done.stderr
    assert any("1 point " in text for text in _object(done)["warnings"])
    assert _run("--specimen", SPECIMEN, "--sweep", sweep, "--library", folder).exit_code == 0


def test_one_decade_is_answered(folder, tmp_path):
    sweep = _variant(tmp_path, lambda f: 1e4 <= f <= 1e5)
    done = _run("--specimen", SPECIMEN, "--sweep", sweep, "--library", folder, "--json")
    assert done.exit_code == 0, done.stderr
    assert math.isfinite(_object(done)["initial_permeability"]["standard_uncertainty"])


def _cut(folder, place, points):
    """Copy a library with each curve cut to some of its points."""
    shutil.copytree(folder, place)
    for curve in place.glob("*.csv"):
        head, *rows = curve.read_text(encoding="utf-8").splitlines()
        kept = [row for row in rows if points(float(row.split(",")[0]))]
        curve.write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")
    return place


def test_a_curve_that_ends_below_the_sweep_speaks_on_a_share(folder, tmp_path):
    cut = _cut(folder, tmp_path / "cut", lambda f: f < 1e5)
    done = _run("--specimen", SPECIMEN, "--sweep", SWEEP, "--library", cut)
    assert done.exit_code == 0, done.stderr
    shares = [line.split()[-3:] for line in done.stdout.splitlines() if line.startswith(("nizn", "mnzn"))]
    assert shares
    for used, _, total in shares:
        assert 0 < int(used) < int(total)


def test_candidates_all_outside_the_band_are_neither_matched_nor_excluded(folder, tmp_path):
    cut = _cut(folder, tmp_path / "cut", lambda f: f > 1e7)
    done = _run("--specimen", SPECIMEN, "--sweep", SWEEP, "--library", cut, "--json")
    assert done.exit_code == 0, done.stderr
    found = _object(done)
    assert any("do not reach into the band" in text for text in found["warnings"])
    human = _run("--specimen", SPECIMEN, "--sweep", SWEEP, "--library", cut, "--figures", tmp_path / "p")
    assert human.exit_code == 0, human.stderr
    assert "0 of 71" in human.stdout


# --- bad input ----------------------------------------------------------------------------------------------


def _bad_specimen(tmp_path, old, new):
    path = tmp_path / "bad.toml"
    text = Path(SPECIMEN).read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return ["--specimen", path, "--sweep", SWEEP]


def _bad_sweep(tmp_path, text):
    path = tmp_path / "bad.csv"
    path.write_text("frequency_hz,impedance_real_ohm,impedance_imag_ohm\n" + text, encoding="utf-8")
    return ["--specimen", SPECIMEN, "--sweep", path]


def _library(tmp_path, text):
    (tmp_path / "bad").mkdir()
    if text:
        (tmp_path / "bad" / "x.toml").write_text(text, encoding="utf-8")
    return ["--specimen", SPECIMEN, "--sweep", SWEEP, "--library", tmp_path / "bad"]


BAD = {
    "unknown key": lambda p: _bad_specimen(p, "height", "heigth"),
    "bare number": lambda p: _bad_specimen(p, '"4.12 mm"', "4.12"),
    "decimal comma": lambda p: _bad_specimen(p, "4.12 mm", "4,12 mm"),
    "no toml": lambda p: _bad_specimen(p, "[core]", "[core"),
    "no specimen": lambda p: ["--specimen", p / "none.toml", "--sweep", SWEEP],
    "a folder": lambda p: ["--specimen", p, "--sweep", SWEEP],
    "no sweep": lambda p: ["--specimen", SPECIMEN, "--sweep", p / "none.csv"],
    "nan": lambda p: _bad_sweep(p, "1e3,1,nan\n2e3,1,2\n"),
    "short row": lambda p: _bad_sweep(p, "1e3,1\n"),
    "duplicate": lambda p: _bad_sweep(p, "1e3,1,2\n1e3,1,2\n"),
    "negative": lambda p: _bad_sweep(p, "-1e3,1,2\n"),
    "nothing": lambda p: _bad_sweep(p, ""),
    "reading": lambda _: ["--specimen", SPECIMEN, "--reading", "152 uF @ 10 kHz"],
    "reading without frequency": lambda _: ["--specimen", SPECIMEN, "--reading", "152 uH"],
    "only a touch of two probes": lambda _: ["--specimen", SPECIMEN, "--reading", "> 20 Mohm"],
    "surface": lambda _: ["--specimen", SPECIMEN, "--sweep", SWEEP, "--surface-resistance", "12"],
    "no library": lambda p: ["--specimen", SPECIMEN, "--sweep", SWEEP, "--library", p / "none"],
    "empty library": lambda p: _library(p, ""),
    "none left": lambda p: _library(p, 'id = "x"\n'),
}


@pytest.mark.parametrize("case", list(BAD))
def test_bad_input_is_one_line_and_code_3(tmp_path, case):
    words = [*BAD[case](tmp_path), "--figures", tmp_path / "pictures"]
    done = _run(*words)
    assert done.exit_code == 3
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("whichcore: ")
    told = _run(*words, "--json")
    error = _object(told)["error"]
    assert told.exit_code == 3
    codes = {"empty library": "library", "none left": "library"}
    assert error["code"] == codes.get(case, "input")
    assert error["what"]
    assert not (tmp_path / "pictures").exists()


def test_pictures_where_a_file_is_in_the_way(folder, tmp_path):
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    words = ["--specimen", SPECIMEN, "--sweep", SWEEP, "--library", folder, "--figures", tmp_path / "taken"]
    done = _run(*words)
    assert done.exit_code == 3
    assert done.stdout == ""
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "mine"


def test_a_library_of_broken_files_alone_says_where_to_look(tmp_path):
    (tmp_path / "broken.toml").write_text("hello")
    done = _run("--specimen", SPECIMEN, "--sweep", SWEEP, "--library", tmp_path, "--json")
    assert done.exit_code == 3
    assert _object(done)["error"]["next"] == f'see the reasons with: whichcore library check "{tmp_path}"'


def test_a_resistance_without_frequency_is_a_touch_of_two_probes(folder):
    one = ["--specimen", SPECIMEN, "--sweep", SWEEP, "--library", folder]
    as_reading = _run(*one, "--reading", "> 20 Mohm", "--json")
    as_option = _run(*one, "--surface-resistance", "> 20 Mohm", "--json")
    assert as_reading.exit_code == 0
    assert json.loads(as_reading.stdout)["candidates"] == json.loads(as_option.stdout)["candidates"]
    both = _run(*one, "--reading", "12 kohm", "--surface-resistance", "> 20 Mohm")
    assert both.exit_code == 3
    assert "one resistance" in both.stderr
