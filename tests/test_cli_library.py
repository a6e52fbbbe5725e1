"""``whichcore library …``: list, show, check, add, import, export, screening."""

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from rich.cells import cell_len

from whichcore import load_library, open_collection
from whichcore.cli.root import root
from whichcore.files import load_material, shipped_library
from whichcore.open_collection import screening_report

BINS = Path(__file__).resolve().parents[1] / "src" / "whichcore" / "demo_bins"
KNOWN = ["--specimen", str(BINS / "bin-b.toml"), "--sweep", str(BINS / "bin-b.csv")]
LABEL = ["--id", "mine", "--name", "Mine", "--class", "NiZn"]


def _without(words, usual):
    """Return the usual options, each with its value, but for those among the words."""
    pairs = zip(usual[::2], usual[1::2], strict=True)
    return [word for pair in pairs if pair[0] not in words for word in pair]


@pytest.fixture(autouse=True)
def _home(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("COLUMNS", raising=False)


def _run(*words):
    return CliRunner().invoke(root, ["library", *map(str, words)])


def _refuse_nan(word):
    raise AssertionError(f"{word} in the JSON")


def _json(*words):
    done = _run(*words, "--json")
    assert done.exit_code == 0, done.stderr
    return json.loads(done.stdout, parse_constant=_refuse_nan)


# --- list and show ------------------------------------------------------------------------------------------


def test_list_names_every_material_on_a_line():
    done = _run("list")
    materials = shipped_library().materials
    lines = done.stdout.splitlines()
    assert done.exit_code == 0
    assert lines[-1] == f"{len(materials)} materials."
    assert sum(line.startswith(tuple(f"{m.id} " for m in materials)) for line in lines) == len(materials)


def test_list_by_class_and_library(tmp_path):
    _run("export", "mgzn-300-derived", "--to", tmp_path / "one")
    assert {m["class"] for m in _json("list", "--class", "MgZn")["materials"]} == {"MgZn"}
    assert [m["id"] for m in _json("list", "--library", tmp_path / "one")["materials"]] == [
        "mgzn-300-derived"
    ]
    assert _run("list", "--library", tmp_path / "one", "--class", "NiZn").stdout == "0 materials.\n"


@pytest.mark.parametrize("width", [40, 60])
def test_list_on_a_narrow_terminal(monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    done = _run("list", "--class", "nanocrystalline")
    assert max(cell_len(line) for line in done.stdout.splitlines()) <= width
    assert "  μi: " in done.stdout


def test_show_tells_every_field():
    material = shipped_library()["mnzn-2300-derived"]
    found = _json("show", material.id)["material"]
    assert found["initial_permeability"] == material.initial_permeability
    assert found["section_m"] == list(material.section_m)
    text = " ".join(_run("show", material.id).stdout.split())
    for told in (material.source[:40], "5 Ω m", "4.8 g/cm³", "215 °C", "2 mm × 2 mm", "not stated", "MIT"):
        assert " ".join(told.split()) in text


@pytest.mark.parametrize(("name", "start"), [("c.svg", b"<?xml"), ("c.png", b"\x89PNG")])
def test_show_draws_the_curve(tmp_path, name, start):
    done = _run("show", "nizn-850-derived", "--figure", tmp_path / name)
    assert done.exit_code == 0
    assert (tmp_path / name).read_bytes().startswith(start)
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_show_refuses_what_it_cannot_do(tmp_path):
    done = _run("show", "nizn-850-derived", "--figure", tmp_path / "c.jpg")
    assert (done.exit_code, list(tmp_path.iterdir())) == (3, [])
    assert ".svg, .png" in done.stderr
    assert _run("show", "nothing-such").exit_code == 3


# --- check --------------------------------------------------------------------------------------------------


def test_check_gives_the_reasons_and_0_while_something_is_usable(tmp_path):
    _run("export", "mgzn-300-derived", "--to", tmp_path / "lib")
    (tmp_path / "lib" / "broken.toml").write_text('id = "broken"\n', encoding="utf-8")
    done = _run("check", tmp_path / "lib")
    assert done.exit_code == 0
    assert done.stdout.startswith("1 usable, 1 refused.")
    assert "broken.toml" in done.stdout
    found = _json("check", tmp_path / "lib")
    assert found["usable"] == ["mgzn-300-derived"]
    assert "broken.toml" in found["problems"][0]["where"]


def test_check_of_nothing_usable_is_3(tmp_path):
    (tmp_path / "lib").mkdir()
    (tmp_path / "lib" / "broken.toml").write_text('id = "broken"\n', encoding="utf-8")
    done = _run("check", tmp_path / "lib")
    assert done.exit_code == 3
    assert "broken.toml" in done.stdout
    assert done.stderr.count("\n") == 1
    told = json.loads(_run("check", tmp_path / "lib", "--json").stdout)
    assert told["error"]["code"] == "library"
    assert "broken.toml" in told["problems"][0]["where"]
    empty = tmp_path / "empty"
    empty.mkdir()
    assert _run("check", empty).exit_code == 3


def test_check_without_a_folder_takes_the_shipped_and_the_users():
    assert len(_json("check")["usable"]) == len(shipped_library().materials)


# --- add ----------------------------------------------------------------------------------------------------


def test_a_known_core_is_found_again_among_the_users_materials(tmp_path):
    done = _run("add", *KNOWN, *LABEL)
    assert done.exit_code == 0, done.stderr
    assert "Written:" in done.stdout  # a path longer than a line begins the next
    own = load_material(tmp_path / "home" / "library" / "mine.toml")
    assert "bin-b.csv on bin-b.toml, 8 turns" in own.source
    assert own.tolerance == 0.25  # the default of --tolerance
    assert own.section_m is not None
    words = ["identify", *KNOWN, "--json"]
    found = json.loads(CliRunner().invoke(root, words).stdout)
    assert found["candidates"][0]["material"] == "mine"
    assert found["initial_permeability"]["value"] == pytest.approx(own.initial_permeability, rel=0.01)


def test_add_never_overwrites(tmp_path):
    assert _run("add", *KNOWN, *LABEL).exit_code == 0
    before = {path: path.read_bytes() for path in (tmp_path / "home").rglob("*.*")}
    done = _run("add", *KNOWN, *LABEL, "--tolerance", "10 %")
    assert done.exit_code == 3
    assert "not overwritten" in done.stderr
    assert {path: path.read_bytes() for path in (tmp_path / "home").rglob("*.*")} == before


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--id", "nizn-850-derived"], "shipped material has this id"),
        (["--id", "no good"], "no id"),
        (["--tolerance", "25"], "--tolerance"),
        (["--sweep", "none.csv"], "no such file"),
    ],
)
def test_add_refuses_and_leaves_nothing(tmp_path, words, told):
    done = _run("add", *KNOWN, *_without(words, LABEL), *words)
    assert (done.exit_code, done.stdout) == (3, "")
    assert told in done.stderr
    assert not list((tmp_path / "home").rglob("*.*"))


# --- import -------------------------------------------------------------------------------------------------

TABLE = "f [kHz];mu';mu''\n1;1000;2\n10;1000;5\n100;990;20\n1000;800;300\n"
SAID = [*LABEL, "--source", "own typing"]


def test_import_tells_everything_it_did(tmp_path):
    table = tmp_path / "table.csv"
    table.write_text(TABLE, encoding="utf-8")
    properties = ["--resistivity", "5 ohm m", "--density", "4.8 g/cm3", "--section", "4 mm x 6 mm"]
    more = ["--curie-temperature", "215 degC", "--application", "power", "--relative-permittivity", "1e5"]
    done = _run("import", table, *SAID, *properties, *more, "--to", tmp_path / "lib")
    assert done.exit_code == 0, done.stderr
    assert "frequency in units of 1000 Hz" in done.stdout
    material = load_library(tmp_path / "lib")["mine"]
    np.testing.assert_array_equal(material.frequency_hz, [1e3, 1e4, 1e5, 1e6])
    np.testing.assert_array_equal(material.permeability, [1000 - 2j, 1000 - 5j, 990 - 20j, 800 - 300j])
    assert material.initial_permeability == 1000
    assert (material.resistivity_ohm_m, material.density_kg_m3) == (5.0, pytest.approx(4800))
    assert (material.section_m, material.curie_temperature_c) == (pytest.approx((4e-3, 6e-3)), 215.0)
    assert (material.applications, material.relative_permittivity) == (("power",), 1e5)


def test_import_takes_hints(tmp_path):
    table, loss = tmp_path / "t.csv", tmp_path / "loss.csv"
    table.write_text("1;1000\n10;1000\n100;990\n", encoding="utf-8")
    loss.write_text("0,001;0,002\n0,1;0,02\n", encoding="utf-8")
    found = _json(
        "import", table, *SAID, "--columns", "frequency, mu_real", "--frequency-unit", "kHz", "--loss", loss,
        "--loss-columns", "frequency,tan_delta", "--loss-frequency-unit", "MHz", "--decimal-comma",
        "--initial-permeability", "1010",
    )  # fmt: skip
    assert found["material"]["initial_permeability"] == 1010
    assert (found["material"]["low_hz"], found["material"]["high_hz"]) == (1e3, 1e5)
    assert any("tan δ" in note for note in found["notes"])


@pytest.mark.parametrize(
    ("text", "words", "told"),
    [
        (TABLE.replace(" [kHz]", ""), [], "--frequency-unit kHz"),
        (TABLE.replace("mu''", "colour"), [], "colour"),
        (TABLE, ["--columns", "frequency,mu_real"], "2 names"),
        (TABLE, ["--section", "4 mm"], "two sides"),
        (TABLE, ["--density", "4.8"], "--density"),
        (TABLE, ["--initial-permeability", "-5"], "initial_permeability"),
        (TABLE, ["--relative-permittivity", "0"], "relative_permittivity"),
        (TABLE, ["--tolerance", "0 %"], "tolerance"),
        (TABLE, ["--name", " "], "name"),
        (TABLE, ["--resistivity", "0 ohm m"], "resistivity"),
        (TABLE, ["--application", ""], "applications"),
    ],
)
def test_import_refuses_and_leaves_nothing(tmp_path, text, words, told):
    table = tmp_path / "table.csv"
    table.write_text(text, encoding="utf-8")
    done = _run("import", table, *_without(words, SAID), *words)
    assert (done.exit_code, done.stdout) == (3, "")
    assert done.stderr.count("\n") == 1
    assert told in done.stderr
    assert not list((tmp_path / "home").rglob("*.*"))


# --- export -------------------------------------------------------------------------------------------------


def test_export_is_a_library_of_its_own_and_overwrites_nothing(tmp_path):
    assert _run("export", "mnzn-2300-derived", "--to", tmp_path / "a" / "b").exit_code == 0
    there, here = (
        load_library(tmp_path / "a" / "b")["mnzn-2300-derived"],
        shipped_library()["mnzn-2300-derived"],
    )
    np.testing.assert_array_equal(there.permeability, here.permeability)
    assert there.source == here.source
    assert _run("export", "mnzn-2300-derived", "--to", tmp_path / "a" / "b").exit_code == 3
    assert _run("export", "nothing-such", "--to", tmp_path / "c").exit_code == 3
    assert not (tmp_path / "c").exists()


def test_add_writes_into_the_folder_named(tmp_path):
    place = tmp_path / "shared"
    assert _run("add", *KNOWN, *LABEL, "--to", place).exit_code == 0
    assert {path.name for path in place.iterdir()} == {"mine.toml", "mine.csv"}
    assert not (tmp_path / "home").exists()


# --- screening ----------------------------------------------------------------------------------------------


@pytest.mark.soak
def test_screening_as_table_json_and_csv():
    rows = screening_report()
    accepted = sum(row.reason is None for row in rows)
    table = _run("screening")
    assert f"{accepted} of {len(rows)} curves accepted." in table.stdout
    curves = _json("screening")["curves"]
    assert [curve["id"] for curve in curves] == [row.id for row in rows]
    assert sum(curve["accepted"] for curve in curves) == accepted
    assert all(curve["reason"] for curve in curves if not curve["accepted"])
    records = list(csv.DictReader(io.StringIO(_run("screening", "--csv").stdout)))
    assert [record["id"] for record in records] == [row.id for row in rows]
    assert {record["class"] for record in records} >= {"MnZn", "NiZn"}


def test_screening_without_the_collection_is_one_line(monkeypatch):
    def missing(_name):
        raise open_collection.metadata.PackageNotFoundError

    open_collection._screened.cache_clear()
    monkeypatch.setattr(open_collection.metadata, "version", missing)
    done = _run("screening")
    open_collection._screened.cache_clear()
    assert (done.exit_code, done.stdout) == (3, "")
    assert "not installed" in done.stderr
