"""Material files and library folders."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whichcore.analysis.materials import Material, MaterialClass
from whichcore.errors import InputError, WhichcoreWarning
from whichcore.files import (
    home_folder,
    load_curve,
    load_library_folder,
    load_material,
    shipped_library,
    user_library_folder,
    write_material,
)
from whichcore.files import library_folder as library_module

TOML = """\
id = "mnzn-2300"
name = "MnZn 2300, generic"
class = "MnZn"
initial_permeability = 2300
tolerance = "25 %"
curve = "mnzn-2300.csv"
source = "own sweep"
licence = "own"
"""
CURVE = "frequency_hz,mu_real,mu_imag\n1000,2300,2\n100000,2290,30\n1000000,1800,900\n"


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "mnzn-2300.toml").write_text(TOML)
    (tmp_path / "mnzn-2300.csv").write_text(CURVE)
    return tmp_path


def equal(left: Material, right: Material) -> bool:
    names = [name for name in Material.__dataclass_fields__ if name not in {"frequency_hz", "permeability"}]
    return (
        all(getattr(left, name) == getattr(right, name) for name in names)
        and np.array_equal(left.frequency_hz, right.frequency_hz)
        and np.array_equal(left.permeability, right.permeability)
    )


def test_a_material_with_what_is_required(folder):
    material = load_material(folder / "mnzn-2300.toml")
    assert material.id == "mnzn-2300"
    assert material.material_class is MaterialClass.MNZN
    assert material.initial_permeability == 2300.0  # analytic: as written
    assert material.tolerance == 0.25  # analytic
    assert material.curve_deviation == 0.03  # practice: the default deviation of a core from its curve
    assert material.permeability.tolist() == [2300 - 2j, 2290 - 30j, 1800 - 900j]
    assert material.section_m is None


def test_a_material_with_everything(folder):
    (folder / "mnzn-2300.toml").write_text(
        TOML
        + """
curve_deviation = "10 %"
resistivity = "5 ohm m"
density = "4.8 g/cm3"
curie_temperature = "210 degC"
relative_permittivity = 1e5
section = "4 mm x 6 mm"
temperature = "25 degC"
flux_density = "0.1 mT"
applications = ["power", "suppression"]
"""
    )
    material = load_material(folder / "mnzn-2300.toml")
    # analytic: definitions of the units
    assert material.curve_deviation == 0.1
    assert material.resistivity_ohm_m == 5.0
    assert material.density_kg_m3 == 4800.0
    assert material.curie_temperature_c == 210.0
    assert material.relative_permittivity == 1e5
    assert material.section_m == (0.004, 0.006)
    assert material.temperature_c == 25.0
    assert material.flux_density_t == 1e-4
    assert material.applications == ("power", "suppression")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('"MnZn"', '"mnzn"', "did you mean MnZn"),
        ('"MnZn"', '"steel"', "carbonyl-powder"),
        ("id = ", "idd = ", "did you mean id"),
        ('"mnzn-2300"', '"../x"', "no id of a material"),
        ('"mnzn-2300"', "3", "line 1, id"),
        ("2300\n", '"2300"\n', "line 4, initial_permeability: a plain number"),
        ("2300\n", "-1\n", "plain number"),
        ('"25 %"', "0.25", "bare number"),
        ('"25 %"', '"0 %"', "must be positive"),
        ('"mnzn-2300.csv"', '"/etc/passwd"', "plain file name"),
        ('"mnzn-2300.csv"', '"../mnzn-2300.csv"', "plain file name"),
        ('"mnzn-2300.csv"', '"other.csv"', "line 6, curve: the curve of the material is missing"),
        ('source = "own sweep"\n', "", "source: the key is missing"),
        ('licence = "own"', 'licence = " "', "licence"),
        ('licence = "own"', 'licence = "own"\nsection = "4 mm"', "two sides"),
        ('licence = "own"', 'licence = "own"\nsection = "4 x 6 mm"', "unit is missing"),
        ('licence = "own"', 'licence = "own"\nsection = "0 mm x 6 mm"', "positive"),
        ('licence = "own"', 'licence = "own"\napplications = "power"', "list of words"),
        ('licence = "own"', 'licence = "own"\nswept = "yes"', "true or false"),
        ('licence = "own"', 'licence = "own"\nresistvity = "5 ohm m"', "did you mean resistivity"),
        ('licence = "own"', 'licence = "own"\nresistivity = "5 ohm"', "unit of resistance"),
    ],
)
def test_a_fault_of_the_properties_is_named(folder, old, new, told):
    assert old in TOML
    (folder / "mnzn-2300.toml").write_text(TOML.replace(old, new, 1))
    with pytest.raises(InputError) as caught:
        load_material(folder / "mnzn-2300.toml")
    assert told in str(caught.value)


def test_all_faults_of_the_properties_are_told_at_once(folder):
    (folder / "mnzn-2300.toml").write_text(TOML.replace('"MnZn"', '"steel"').replace('"25 %"', "0.25"))
    with pytest.raises(InputError, match="line 3, class") as caught:
        load_material(folder / "mnzn-2300.toml")
    assert "1 more fault in this file: line 5, tolerance" in caught.value.next_step


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (CURVE.replace(",2\n", ",-2\n").replace("30\n", "-30\n").replace("900\n", "-900\n"), "turn the sign"),
        (CURVE.replace("30\n", "-30\n"), "line 3, mu_imag"),
        (CURVE.replace("30\n", "-30\n"), "residue"),
        (CURVE.replace("mu_imag", "mu_img"), "did you mean mu_imag"),
        (CURVE.replace("100000", "1000"), "stands twice"),
        (CURVE.replace("2290", "nan"), "line 3, mu_real"),
        (CURVE.replace(",", ";"), "semicolons"),
        ("frequency_hz,mu_real,mu_imag\n1000,1,0\n", "at least two points"),
        ("", "empty"),
        (CURVE + "2000000,0,0\n", "no material has such a permeability"),
        (CURVE + "2000000,1e300,0\n", "no material has such a permeability"),
    ],
)
def test_a_fault_of_the_curve_is_named(folder, text, told):
    (folder / "mnzn-2300.csv").write_text(text)
    with pytest.raises(InputError) as caught:
        load_material(folder / "mnzn-2300.toml")
    assert told in str(caught.value)
    assert "mnzn-2300.csv" in caught.value.where


def test_a_curve_out_of_order_is_sorted_and_told(folder):
    (folder / "c.csv").write_text("frequency_hz,mu_real,mu_imag\n2000,20,2\n1000,10,1\n")
    with pytest.warns(WhichcoreWarning, match="sorted"):
        frequency, permeability = load_curve(folder / "c.csv")
    assert frequency.tolist() == [1000, 2000]
    assert permeability.tolist() == [10 - 1j, 20 - 2j]


def test_a_folder_gives_the_good_ones_and_a_problem_for_each_other(folder):
    (folder / "broken.toml").write_text("id = 3")
    (folder / "notes.txt").write_text("no material")
    (folder / ".hidden.toml").write_text("nonsense")
    for name in ("twin-a", "twin-b"):
        text = TOML.replace('"mnzn-2300"', '"twin"')
        (folder / f"{name}.toml").write_text(text)
    library = load_library_folder(folder)
    assert [material.id for material in library.materials] == ["mnzn-2300"]
    assert len(library.problems) == 2
    broken, twins = library.problems
    assert "broken.toml" in broken.where
    assert "more faults" in broken.what
    assert "twin-a.toml, twin-b.toml" in twins.what
    assert "none of them is used" in twins.what


def test_a_library_that_is_no_folder_is_one_clear_line(tmp_path, folder):
    with pytest.raises(InputError, match="no such library folder"):
        load_library_folder(tmp_path / "missing")
    with pytest.raises(InputError, match="this is a file"):
        load_library_folder(folder / "mnzn-2300.csv")


def test_every_shipped_material_can_be_read():
    library = shipped_library()
    assert library.problems == ()
    assert len(library.materials) == len(
        list((library_module.files("whichcore.analysis.library")).glob("*.toml"))
    )
    assert {material.material_class for material in library.materials} >= {
        MaterialClass.MNZN,
        MaterialClass.NIZN,
    }


def test_the_home_folder_is_the_stated_one_or_the_platforms(monkeypatch, tmp_path):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    assert home_folder() == tmp_path
    assert user_library_folder() == tmp_path / "library"
    monkeypatch.setenv("WHICHCORE_HOME", " ")
    monkeypatch.setattr(
        library_module.platformdirs, "user_data_path", lambda *_args, **_more: tmp_path / "data"
    )
    assert home_folder() == tmp_path / "data"


def test_writing_never_overwrites(folder, tmp_path):
    material = load_material(folder / "mnzn-2300.toml")
    before = {item.name: item.read_bytes() for item in folder.iterdir()}
    with pytest.raises(InputError, match="not overwritten"):
        write_material(folder, material)
    (folder / "mnzn-2300.toml").unlink()
    with pytest.raises(InputError, match="not overwritten"):
        write_material(folder, material)
    del before["mnzn-2300.toml"]
    assert {item.name: item.read_bytes() for item in folder.iterdir()} == before


def test_a_material_that_cannot_be_written_whole_is_not_written_at_all(folder, tmp_path, monkeypatch):
    material = load_material(folder / "mnzn-2300.toml")
    real = library_module.load_material.__globals__["create_text"]

    def fail_on_toml(path, text):
        if path.suffix == ".toml":
            raise InputError("the file cannot be written")
        real(path, text)

    monkeypatch.setitem(write_material.__globals__, "create_text", fail_on_toml)
    with pytest.raises(InputError):
        write_material(tmp_path / "new", material)
    assert list((tmp_path / "new").iterdir()) == []


def test_a_curve_that_could_not_be_read_back_is_not_written(folder, tmp_path):
    material = load_material(folder / "mnzn-2300.toml")
    bad = Material(
        **{name: getattr(material, name) for name in Material.__dataclass_fields__}
        | {"permeability": material.permeability.conj()}
    )
    with pytest.raises(InputError, match="negative loss"):
        write_material(tmp_path / "new", bad)
    assert not (tmp_path / "new").exists()


any_text = st.text(st.characters(codec="utf-8"), min_size=1, max_size=12).filter(str.strip)
size = st.floats(1e-3, 0.1)


@settings(max_examples=40)
@given(
    name=any_text,
    source=any_text,
    word=any_text,
    material_class=st.sampled_from(MaterialClass),
    real=st.lists(st.floats(-1e5, -1e-3) | st.floats(1e-3, 1e5), min_size=3, max_size=3),
    loss=st.lists(st.floats(0, 1e5), min_size=3, max_size=3),
    tolerance=st.integers(1, 99),
    optional=st.none() | st.floats(0.1, 200.0),
    section=st.none() | st.tuples(size, size),
)
def test_any_material_survives_its_files(
    tmp_path_factory, *, name, source, word, material_class, real, loss, tolerance, optional, section
):
    material = Material(
        id="x",
        name=name,
        material_class=material_class,
        initial_permeability=100.0,
        tolerance=tolerance / 100,
        frequency_hz=np.array([1e3, 1e5 / 3, 1e6]),
        permeability=np.array(real) - 1j * np.array(loss),
        source=source,
        licence=name,
        curve_deviation=0.07,
        resistivity_ohm_m=optional,
        relative_permittivity=None if optional is None else optional + 1,
        density_kg_m3=optional,
        curie_temperature_c=optional,
        section_m=section,
        temperature_c=optional,
        flux_density_t=None if optional is None else optional / 1e3,
        applications=(word,),
        swept=section is not None,
    )
    path = write_material(tmp_path_factory.mktemp("library"), material)
    assert equal(load_material(path), material)
