"""References that no material can be are refused where they are added, imported, traced or loaded."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from identification import grade, relaxation, ring, wound
from whichcore import load_library
from whichcore.analysis.material_sense import check_material
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.screening import near_snoek
from whichcore.analysis.trial.data import level_times_corner, unfallen_product
from whichcore.cli.root import root
from whichcore.errors import AnalysisError, InputError
from whichcore.files import load_library_folder, load_sweep, shipped_library, write_material, write_sweep
from whichcore.known_core import data_doubts
from whichcore.open_collection import open_collection
from whichcore.workflow import demo_folder

NIZN = grade("n", 850, 6e6, material_class=MaterialClass.NIZN)
CARD = demo_folder() / "bin-b.toml"
LABEL = ["--id", "mine", "--name", "Mine", "--class", "NiZn"]


@pytest.fixture(autouse=True)
def _home(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))


def _run(*words):
    return CliRunner().invoke(root, ["library", *map(str, words)])


def _everything():
    folders = (demo_folder() / "library", demo_folder() / "bench_library")
    return [*shipped_library().materials, *(m for f in folders for m in load_library_folder(f).materials)]


def test_every_reference_at_hand_is_a_material():
    materials = _everything()
    assert len(materials) > 100
    for material in materials:
        check_material(material)


def test_every_screened_curve_is_a_material():
    pytest.importorskip("PyOpenMagnetics")
    for material in open_collection().materials:
        check_material(material)


def _begins_at(material, low_hz):
    kept = material.frequency_hz >= low_hz
    return replace(
        material, frequency_hz=material.frequency_hz[kept], permeability=material.permeability[kept]
    )


@pytest.mark.parametrize(
    "material",
    [
        replace(NIZN, initial_permeability=850 * 1.8),  # analytic: 1.5 · 1.25 = 1.875 is allowed
        replace(NIZN, initial_permeability=850 / 1.8),
        _begins_at(NIZN, 20e6),  # it begins where most is gone: the label may well be above it
        grade("big", 2300, 5e4),  # a hundredth of its product: a thick section does that
        grade("alloy", 125, 5e4, material_class=MaterialClass.ALLOY_POWDER),
        grade("ribbon", 150_000, 3e4, material_class=MaterialClass.NANOCRYSTALLINE),
        grade("unknown", 850, 5e3, material_class=MaterialClass.OTHER),  # no product is known of such
        # a power grade at 100 °C, and one of high permeability in the cold: memory, catalogues
        grade("hot", 4300, 2e6, initial_permeability=2300, tolerance=0.2, temperature_c=100.0),
        grade("cold", 4500, 5e5, initial_permeability=10_000, temperature_c=-20.0),
        # μi beside a curve of the amplitude permeability at 0.2 T
        grade("driven", 5500, 1e6, initial_permeability=2300, flux_density_t=0.2),
    ],
)
def test_what_a_material_may_be_passes(material):
    check_material(material)


@pytest.mark.parametrize(
    ("material", "what", "told"),
    [
        (replace(NIZN, permeability=1000 * NIZN.permeability), "no soft magnetic material has", "500,000"),
        (replace(NIZN, frequency_hz=1000 * NIZN.frequency_hz), "do not belong to one material", "200 GHz"),
        (replace(NIZN, frequency_hz=NIZN.frequency_hz / 1000), "do not belong", "as if they were in kHz"),
        (replace(NIZN, frequency_hz=NIZN.frequency_hz / 1e6), "do not belong", "as if they were in MHz"),
        (replace(NIZN, initial_permeability=8500), "is not that of the curve", "the curve begins with 850"),
        # analytic: 1.5 · 1.25 = 1.875
        (replace(NIZN, initial_permeability=85), "is not that of the curve", "0.533 to 1.88 times"),
        # neither a temperature nor a level that is none excuses a slip of ten
        (replace(NIZN, initial_permeability=8500, temperature_c=100.0), "is not that of", "of 100 °C"),
        (replace(NIZN, initial_permeability=85, temperature_c=26.0), "is not that of", "1.88 times"),
        (grade("hot", 4300, 2e6, initial_permeability=2300, tolerance=0.2), "is not that of", "state the"),
        (grade("low", 5500, 1e6, initial_permeability=2300, flux_density_t=1e-3), "is not that of", "flux"),
        # μ′ and μ″ exchanged: much loss, and nothing that falls
        (replace(NIZN, permeability=-1j * NIZN.permeability.conj()), "is not that of", "begins with"),
    ],
)  # fmt: skip
def test_what_no_material_can_be_is_refused(material, what, told):
    with pytest.raises(InputError) as caught:
        check_material(material, "place.toml")
    error = caught.value
    assert what in error.what
    assert told in f"{error.got} {error.allowed} {error.next_step}"
    assert error.where == "place.toml"
    assert all((error.got, error.allowed, error.next_step))


def test_level_times_corner_is_one_rule_for_sweeps_readings_and_references():
    f = np.geomspace(1e3, 1e8, 400)
    # analytic: |1/(1 + jx)| = 0.7 at x = √(1/0.49 − 1) = 1.0202; the points lie 2.9 % apart, and μ has its 1
    product, fallen = level_times_corner(f, relaxation(850, 6e6, f), 850.0)
    assert fallen
    assert product == pytest.approx(849 * 1.0202 * 6e6, rel=0.035)
    below = f < 1e6
    product, fallen = level_times_corner(f[below], relaxation(850, 6e6, f[below]), 850.0)
    assert not fallen
    assert product == unfallen_product(850.0, f[below][-1]) == 849 * f[below][-1] / 2  # analytic


def test_a_product_is_that_of_its_class_within_a_factor_of_three():
    assert near_snoek(5.6e9 * 2.9, 5.6e9)
    assert near_snoek(5.6e9 / 2.9, 5.6e9)
    assert not near_snoek(5.6e9 * 3.1, 5.6e9)
    assert not near_snoek(5.6e9 / 3.1, 5.6e9)


# ----------------------------------------------------------------------------------------- where it is met


def test_levels_above_ten_thousand_are_written_out():
    high = grade("h", 12_000, 1e5)
    with pytest.raises(InputError) as refused:
        check_material(replace(high, initial_permeability=90_000), "h.toml")
    assert "initial_permeability 90000, and the curve begins with 12000" in str(refused.value)


def test_check_lists_it_and_identify_does_without(tmp_path):
    write_material(tmp_path / "lib", NIZN)
    write_material(tmp_path / "lib", replace(NIZN, id="khz", frequency_hz=NIZN.frequency_hz / 1000))
    write_material(tmp_path / "lib", replace(NIZN, id="label", initial_permeability=8500))
    done = _run("check", tmp_path / "lib")
    assert done.exit_code == 0
    assert done.stdout.startswith("1 usable, 2 refused.")
    told = " ".join(done.stdout.split())
    assert "khz.toml: level and corner" in told
    assert "label.toml: the initial permeability is not that of the curve" in told
    assert [m.id for m in load_library(tmp_path / "lib").materials] == ["n"]


def test_import_refuses_it_and_leaves_nothing(tmp_path):
    table = tmp_path / "sheet.csv"
    mu = NIZN.permeability
    rows = [f"{f / 1000:g},{z.real:g},{-z.imag:g}" for f, z in zip(NIZN.frequency_hz, mu, strict=True)]
    table.write_text("\n".join(["frequency_hz,mu_real,mu_imag", *rows]) + "\n", encoding="utf-8")
    done = _run("import", table, *LABEL, "--source", "typed")
    assert (done.exit_code, done.stdout) == (3, "")
    assert "material mine: level and corner of the curve do not belong to one material" in done.stderr
    assert done.stderr.count("\n") == 1
    assert not list((tmp_path / "home").rglob("*.*"))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda s: replace(s, frequency_hz=s.frequency_hz / 1000), "test for scale"),
        (lambda s: replace(s, impedance_ohm=1j * s.impedance_ohm.conj()), "test for swapped columns"),
        (
            lambda s: replace(s, impedance_ohm=s.impedance_ohm.conj()),
            "test for permeability below that of air",
        ),
        (lambda s: replace(s, impedance_ohm=-s.impedance_ohm.conj()), "negative"),
    ],
)
def test_add_refuses_data_that_are_exchanged_negative_or_in_a_wrong_unit(tmp_path, change, told):
    card = tmp_path / "ring.toml"
    card.write_text(
        '[core]\nshape = "ring"\nouter_diameter = "25.0 mm"\ninner_diameter = "15.0 mm"\nheight = "10.0 mm"\n'
        'dimension_uncertainty = "0.05 mm"\n'
        '[winding]\nturns = 10\nwire_diameter = "0.4 mm"\nwire_length = "0.4 m"\n',
        encoding="utf-8",
    )
    sweep = wound(relaxation(850, 6e6), noise=0.002)
    write_sweep(tmp_path / "wrong.csv", change(sweep))
    done = _run("add", "--specimen", card, "--sweep", tmp_path / "wrong.csv", *LABEL)
    assert (done.exit_code, done.stdout) == (3, "")
    assert told in done.stderr
    assert done.stderr.count("\n") == 1
    assert not list((tmp_path / "home").rglob("*.*"))
    write_sweep(tmp_path / "right.csv", sweep)
    assert _run("add", "--specimen", card, "--sweep", tmp_path / "right.csv", *LABEL).exit_code == 0


def test_other_tests_that_fail_are_warnings():
    sweep = wound(relaxation(850, 6e6), noise=0.002)
    driven = replace(sweep, flux_density_t=np.full(sweep.frequency_hz.size, 5e-3))
    told = data_doubts(ring(), driven, "c.csv")
    assert any("flux density reaches 5 mT" in text for text in told)
    assert not any("flux density" in text for text in data_doubts(ring(), sweep, "c.csv"))
    with pytest.raises(AnalysisError, match="scale") as caught:
        data_doubts(ring(), replace(sweep, frequency_hz=sweep.frequency_hz / 1000), "c.csv")
    assert caught.value.where == "c.csv"


def test_add_prints_the_tests_that_fail(tmp_path):
    sweep = load_sweep(Path(CARD).with_suffix(".csv"))
    write_sweep(tmp_path / "hard.csv", replace(sweep, flux_density_t=np.full(sweep.frequency_hz.size, 5e-3)))
    done = _run("add", "--specimen", CARD, "--sweep", tmp_path / "hard.csv", *LABEL)
    assert done.exit_code == 0, done.stderr
    assert "warning: hard.csv: the flux density reaches 5 mT" in " ".join(done.stderr.split())


@pytest.mark.parametrize(("density", "sound"), [(4.9, False), (4.9e6, False), (4.9e3, True), (None, True)])
def test_a_density_in_another_unit_is_refused(density, sound):
    """4.9 kg/m³ for 4.9 g/cm³; the range of the class is 4.5 to 5.2 g/cm³ (memory)."""
    material = replace(NIZN, density_kg_m3=density)
    if sound:
        check_material(material)
        return
    with pytest.raises(
        InputError, match=r"so dense or so light; got density .* allowed: 2.2 to 10 g/cm3; next"
    ):
        check_material(material)
