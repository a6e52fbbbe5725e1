"""Errors that used to send the user elsewhere: each names the place, and a step that helps."""

import json

import pytest
from click.testing import CliRunner

from whichcore.cli.root import root
from whichcore.errors import InputError
from whichcore.files import load_sweep, parse_reading

HEAD = "frequency_hz,impedance_real_ohm,impedance_imag_ohm,u_real_ohm,u_imag_ohm\n"
RING = """[core]
shape = "ring"
outer_diameter = "25 mm"
inner_diameter = "15 mm"
height = "10 mm"
[winding]
turns = 10
"""


def refused(tmp_path, text):
    file = tmp_path / "sweep.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_sweep(file)
    assert str(file) in caught.value.where
    return caught.value


def test_rows_without_column_names(tmp_path):
    error = refused(tmp_path, "1000,0.0057,0.546,0.001637,0.001637\n2000,0.008,1.09,0.003,0.003\n")
    assert error.what == "the table has no line of column names"
    assert error.where.endswith("line 1")
    assert "above" in error.allowed


def test_a_column_that_does_stand_twice_is_still_told(tmp_path):
    error = refused(tmp_path, HEAD.replace("u_imag", "u_real") + "1000,0,1,0.1,0.1\n")
    assert error.what == "a column stands twice"


def test_an_impedance_of_zero_names_file_and_frequency(tmp_path):
    ring, sweep = tmp_path / "ring.toml", tmp_path / "sweep.csv"
    ring.write_text(RING, encoding="utf-8")
    sweep.write_text(HEAD + "1000,0,0,0.1,0.1\n2000,0.01,1,0.1,0.1\n", encoding="utf-8")
    for command in (["identify", "--library", "shipped"], ["fit"]):
        files = ["--specimen", str(ring), "--sweep", str(sweep), "--json"]
        done = CliRunner().invoke(root, [*command, *files])
        assert done.exit_code == 3
        error = json.loads(done.stdout)["error"]
        assert error["where"] == f"{sweep}, 1000 Hz"
        assert "1 of 2 points" in error["got"]
        assert "0j" not in error["got"]
        assert error["next"]


@pytest.mark.parametrize("row", ["1000,0.01,1,-1,0.1", "1000,0.01,1,0.1,-1", "-1000,0.01,1,0.1,0.1"])
def test_negative_numbers_have_a_next_step(tmp_path, row):
    assert "the row" in refused(tmp_path, f"{HEAD}{row}\n").next_step


@pytest.mark.parametrize("command", [["identify"], ["report", "--out", "x.html"]])
def test_an_empty_library_names_its_folder(tmp_path, command):
    empty, ring, sweep = tmp_path / "own", tmp_path / "ring.toml", tmp_path / "sweep.csv"
    empty.mkdir()
    ring.write_text(RING, encoding="utf-8")
    sweep.write_text(HEAD + "1000,0.01,1,0.1,0.1\n2000,0.01,2,0.1,0.1\n", encoding="utf-8")
    files = ["--specimen", str(ring), "--sweep", str(sweep), "--library", str(empty), "--json"]
    done = CliRunner().invoke(root, [*command, *files])
    assert done.exit_code == 3
    error = json.loads(done.stdout)["error"]
    assert error["where"] == str(empty)
    assert "0 refused" not in error["got"]
    assert "another folder" in error["next"]


def test_an_empty_folder_can_still_be_listed(tmp_path):
    done = CliRunner().invoke(root, ["library", "list", "--library", str(tmp_path), "--json"])
    assert done.exit_code == 0
    assert json.loads(done.stdout)["materials"] == []


def test_a_number_beyond_all_is_not_to_be_written_again(tmp_path):
    error = refused(tmp_path, HEAD + "1000,1e400,1,0.1,0.1\n")
    assert error.next_step == "correct the row"


def test_a_drive_in_another_unit_is_shown_as_it_stands(tmp_path):
    error = refused(tmp_path, "# drive_vrms: 100 mA\n" + HEAD + "1000,0,1,0.1,0.1\n")
    assert error.got == "100 mA"
    assert "mA is a unit of current, not of voltage" in error.what


@pytest.mark.parametrize("level", ["0.1", "1e-1", "0.1 V"])
def test_a_drive_in_volts_is_read_with_and_without_its_unit(tmp_path, level):
    file = tmp_path / "sweep.csv"
    file.write_text(f"# drive_vrms: {level}\n" + HEAD + "1000,0,1,0.1,0.1\n", encoding="utf-8")
    assert load_sweep(file).drive_vrms == pytest.approx(0.1)


def test_a_list_without_rows_is_not_to_be_measured(tmp_path):
    assert "add a row" in refused(tmp_path, HEAD).next_step


@pytest.mark.parametrize(
    "text", ["", "234 @ 10 kHz", "0 uH @ 10 kHz", "234 uH ± 0 uH @ 10 kHz", "nan uH @ 10 kHz", "0 ohm"]
)
def test_a_reading_that_is_none_has_a_next_step(text):
    with pytest.raises(InputError) as caught:
        parse_reading(text)
    assert caught.value.next_step


def test_a_surface_resistance_alone_is_not_called_nothing(tmp_path):
    card = tmp_path / "ring.toml"
    card.write_text(RING, encoding="utf-8")
    done = CliRunner().invoke(root, ["identify", "--specimen", str(card), "--reading", "> 20 Mohm"])
    assert done.exit_code == 3
    assert "a resistance of the surface alone tells no material; got > 20 Mohm" in done.stderr
