"""Every example of the reference of file formats goes through the readers."""

import re
import warnings
from pathlib import Path

import pytest

from whichcore.bench.captures import ChannelsTable, SetTable, TopTable, load_captures
from whichcore.errors import WhichcoreWarning
from whichcore.files import (
    import_table,
    load_material,
    load_specimen,
    load_sweep,
    parse_quantity,
    parse_reading,
)
from whichcore.files.material_file import MaterialTable
from whichcore.files.parts_file import load_parts
from whichcore.files.readings_file import load_readings
from whichcore.files.screen_sheet import COLUMNS, KEYS, load_screen_sheet
from whichcore.files.specimen_tables import SHAPES, WindingTable
from whichcore.files.sweep_layout import BASE_COLUMNS, EXTRA_COLUMNS, SCOPE_KEYS, UNCERTAINTY_COLUMNS
from whichcore.files.units import Dimension, units_of
from whichcore.files.waveform_csv import read_waveform_csv

TEXT = (Path(__file__).parents[1] / "docs" / "reference" / "files.md").read_text(encoding="utf-8")
EXAMPLES = dict(re.findall(r"<!-- example: (\S+) -->\n```\w*\n(.*?)```", TEXT, re.DOTALL))


@pytest.fixture
def folder(tmp_path):
    for name, content in EXAMPLES.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    return tmp_path


def test_every_fenced_block_is_an_example():
    assert len(EXAMPLES) == TEXT.count("\n```") / 2
    assert len(EXAMPLES) == 15  # computed: counted in the page


@pytest.mark.parametrize("name", [name for name in EXAMPLES if name.endswith(".specimen.toml")])
def test_specimens(folder, name):
    assert load_specimen(folder / name).winding.turns >= 3


def test_sweeps(folder):
    sweep = load_sweep(folder / "full.sweep.csv")
    assert [source.id for source in sweep.sources] == ["shunt", "gain"]
    with pytest.warns(WhichcoreWarning, match="estimated"):
        assert load_sweep(folder / "short.sweep.csv").scatter_estimated


def test_touchstone(folder):
    with pytest.warns(WhichcoreWarning):
        sweep = load_sweep(folder / "piece.s1p")
    assert sweep.impedance_ohm[0] == pytest.approx(
        0.09 + 1.47j
    )  # analytic: 50 Ω times the row, as the page says


def test_material(folder):
    material = load_material(folder / "mnzn-own-2300.material.toml")
    assert len(material.frequency_hz) == 3


def test_data_sheet_table(folder):
    curve = import_table(folder / "sheet.txt")
    assert curve.permeability[0].imag == pytest.approx(-1.2e-6 * 2300**2)  # analytic: (tan δ)/μ · μ′²


def test_parts_list(folder):
    parts = load_parts(folder / "parts.csv")
    assert [part.shape for part in parts] == ["ring", "ring", "rod"]


def test_waveform(folder):
    wave = read_waveform_csv(folder / "wave.csv")
    assert wave.interval_s == 5e-6  # as the page has it
    assert wave.step_codes == pytest.approx((0.04, 0.004))
    assert wave.ranges == ("0.2", "0.02")


def test_list_of_captures(folder):
    captures = load_captures(folder / "captures.toml")
    assert captures.channels.scale == (10.0, 1.0)  # analytic: fitted over set
    assert len(captures.sets["load"].files[0]) == 2
    keys = {*ChannelsTable.model_fields, *SetTable.model_fields, *TopTable.model_fields}
    assert sorted(key for key in keys if f"`{key}`" not in TEXT) == []


def test_sheet_of_a_screen(folder):
    sheet = load_screen_sheet(folder / "screen.csv")
    assert [row.reading.frequency_hz for row in sheet.rows] == [2e4, 5e4, 1e5]
    assert sorted(key for key in (*COLUMNS, *KEYS) if key not in TEXT) == []


def test_file_of_readings(folder):
    assert len(load_readings(folder / "readings.txt")) == 2


def test_readings_of_the_page():
    section = TEXT.split("## Readings")[1].split("## Specimen")[0]
    readings = re.findall(r"`([^`]*(?:@ |> )[^`]+)`", section)
    assert len(readings) == 6  # computed: counted in the page
    for text in readings:
        parse_reading(text)


@pytest.mark.parametrize(
    "dimension", [item for item in Dimension if not item.startswith(("inverse", "resistivity"))]
)
def test_the_table_of_units_is_complete(dimension):
    row = next(line for line in TEXT.splitlines() if line.startswith(f"| {dimension.value} |"))
    named = re.sub(r"\(.*?\)", "", row.split("|")[2]).replace(" ", "").split(",")
    assert set(named) == set(units_of(dimension))
    for unit in named:
        assert parse_quantity(f"1 {unit}", dimension) is not None


def test_every_key_is_on_the_page():
    keys = {name for shape in SHAPES.values() for name in shape.table.model_fields}
    keys |= set(WindingTable.model_fields) | set(SHAPES) | set(SCOPE_KEYS)
    keys |= {field.alias or name for name, field in MaterialTable.model_fields.items()}
    keys |= {*BASE_COLUMNS, *UNCERTAINTY_COLUMNS, *EXTRA_COLUMNS}
    assert sorted(key for key in keys if key not in TEXT) == []


def test_the_default_uncertainty_is_the_one_on_the_page(folder):
    text = EXAMPLES["ring.specimen.toml"].replace('dimension_uncertainty = "0.03 mm"\n', "")
    (folder / "plain.toml").write_text(text, encoding="utf-8")
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        specimen = load_specimen(folder / "plain.toml")
    assert "0.05 mm" in str(caught[0].message)
    assert "0.05 mm is taken for lengths" in TEXT
    assert specimen.dimension_uncertainties_m["outer_diameter_m"] == 0.05e-3  # practice: caliper
