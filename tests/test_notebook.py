"""Results in notebooks, as tables of pandas and data sets of xarray, and the examples of the Python page."""

import builtins
import doctest
import importlib
import warnings
from pathlib import Path

import html5lib
import numpy as np
import pytest

from whichcore.analysis.materials import Library, Problem
from whichcore.analysis.permeability import permeability
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, Scope
from whichcore.analysis.uncertainty import point_covariance
from whichcore.analysis.verdict import Candidate, InitialPermeability, Verdict, VerdictKind
from whichcore.errors import InputError, WhichcoreWarning
from whichcore.files import load_specimen, load_sweep
from whichcore.libraries import load_library
from whichcore.workflow import demo_folder

PAGE = Path(__file__).resolve().parents[1] / "docs" / "reference" / "python.md"
HOSTILE = "<img src=x onerror=alert(1)>\u202e&"


@pytest.fixture(scope="module")
def sweep():
    return load_sweep(demo_folder() / "bin-b.csv")


@pytest.fixture(scope="module")
def spectrum(sweep):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", WhichcoreWarning)
        return permeability(sweep, load_specimen(demo_folder() / "bin-b.toml"))


@pytest.fixture
def verdict(spectrum):
    """An invented verdict of two candidates, one of them without a curve."""
    fitted = spectrum.permeability * 1.01
    candidates = (
        Candidate(HOSTILE, "MnZn", 0.7, 1.1, 0.9, 0.0, 5, fitted, 71, 71),
        Candidate("b", "NiZn", 0.2),
    )
    measured = InitialPermeability(862.0, 12.0, 1e3, 1e-3, 23.0)
    return Verdict(
        VerdictKind.MATERIAL, (HOSTILE,), "MnZn", 0.7, candidates, 0.1, measured, spectrum=spectrum
    )


def cells(page):
    """Independent code: html5lib, strict, so that every error of the HTML standard raises."""
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parseFragment(page)
    assert {node.tag for node in tree.iter()} <= {
        "DOCUMENT_FRAGMENT", "table", "caption", "strong", "br", "thead", "tbody", "tr", "th", "td",
    }  # fmt: skip
    return [["".join(cell.itertext()) for cell in row] for row in tree.iter("tr")]


def test_a_sweep_shows_its_ends_with_their_uncertainty(sweep):
    rows = cells(sweep._repr_html_())
    assert rows[0] == ["frequency", "R ± u (Ω)", "X ± u (Ω)"]
    assert (rows[1][0], rows[-1][0], len(rows)) == ("1 kHz", "3 MHz", 11)
    # the file's own first row
    first = (demo_folder() / "bin-b.csv").read_text("utf-8").split("flux_density_t,")[1].splitlines()[1]
    assert float(rows[1][2].split(" ± ")[0]) == pytest.approx(float(first.split(",")[2]), rel=5e-3)


def test_the_loss_of_a_spectrum_is_shown_as_the_trade_writes_it(spectrum):
    """μ″ is minus the imaginary part (glossary), and positive at 3 MHz."""
    rows = cells(spectrum._repr_html_())
    value, u = map(float, rows[-1][2].split(" ± "))
    places = len(rows[-1][2].split(" ± ")[0].partition(".")[2])
    assert value == pytest.approx(-spectrum.permeability[-1].imag, abs=0.5 * 10**-places, rel=0)
    covariance = point_covariance(spectrum.scatter, spectrum.sources)
    assert u == pytest.approx(np.sqrt(covariance[-1, 1, 1]), rel=0.05)  # two digits


def test_names_are_text(verdict):
    page = verdict._repr_html_()
    assert "&lt;img" in page
    assert "\u202e" not in page
    assert cells(page)[1][0] == "<img src=x onerror=alert(1)>\ufffd&"
    material = load_library("shipped").materials[0]
    library = Library((material,) * 12, (Problem("x", "y"),))
    rows = cells(library._repr_html_())
    assert (rows[1][0], rows[-1][0]) == (material.id, "and 2 more")
    assert "1 could not be used" in library._repr_html_()


def test_nothing_measured_is_shown_as_nothing():
    empty = ImpedanceSweep(np.empty(0), np.empty(0, complex), np.empty((0, 2, 2)))
    assert "no points" in empty._repr_html_()


# -- pandas and xarray ---------------------------------------------------------------------------------------


def test_a_curve_keeps_its_numbers_and_its_units(sweep, spectrum):
    frame = sweep.to_pandas()
    np.testing.assert_array_equal(frame.index, sweep.frequency_hz)
    np.testing.assert_array_equal(frame["impedance_ohm"], sweep.impedance_ohm)
    assert frame.attrs["units"] == {
        "frequency_hz": "Hz", "impedance_ohm": "ohm", "u_real_ohm": "ohm", "u_imag_ohm": "ohm",
        "correlation": "1", "flux_density_t": "T", "time_s": "s",
    }  # fmt: skip
    assert frame.attrs["wiring"] == "shunt-at-ground"
    assert frame.attrs["temperature_c"] == 23.0
    data = spectrum.to_xarray()
    np.testing.assert_array_equal(data["permeability"], spectrum.permeability)
    assert data["permeability"].attrs["units"] == "1"
    assert list(data["source"].values) == [one.id for one in spectrum.sources]


def test_covariance_comes_back_from_either():
    """Computed by hand: scatter diag(4, 9), one source of 3 + 4j: variances 13 and 25, covariance 12."""
    sweep = ImpedanceSweep(
        np.array([1e3]),
        np.array([1 + 2j]),
        np.array([[[4.0, 0.0], [0.0, 9.0]]]),
        (ErrorSource("shunt", Scope.SPECIMENS, np.array([3 + 4j])),),
        range_labels=("A1/B1",),
    )
    frame = sweep.to_pandas()
    assert frame["u_real_ohm"].tolist() == pytest.approx([13**0.5])
    assert frame["u_imag_ohm"].tolist() == pytest.approx([25**0.5])
    assert frame["correlation"].tolist() == pytest.approx([12 / (13 * 25) ** 0.5])
    assert frame["range_label"].tolist() == ["A1/B1"]
    data = sweep.to_xarray()
    sensitivity = data["sensitivity"].sel(source="shunt")
    total = data["scatter"].values[0] + np.outer(
        *[[float(sensitivity.real[0]), float(sensitivity.imag[0])]] * 2
    )
    np.testing.assert_allclose(total, [[13, 12], [12, 25]])
    assert (data["scatter"].attrs["units"], str(sensitivity["scope"].values)) == ("ohm2", "specimens")


def test_a_spectrum_without_sources_is_a_data_set_too(spectrum):
    sweep = ImpedanceSweep(np.array([1e3]), np.array([1j]), np.zeros((1, 2, 2)))
    assert dict(sweep.to_xarray()["sensitivity"].sizes) == {"source": 0, "frequency_hz": 1}
    assert sweep.to_pandas()["correlation"].tolist() == [0.0]


def test_a_verdict_keeps_candidates_answer_and_curves(verdict):
    frame = verdict.to_pandas()
    assert frame.loc[HOSTILE, "probability"] == 0.7
    assert np.isnan(frame.loc["b", "scale"])
    assert (frame.attrs["kind"], frame.attrs["unlisted_probability"]) == ("material", 0.1)
    data = verdict.to_xarray()
    np.testing.assert_array_equal(data["fitted"].sel(material=HOSTILE), verdict.candidates[0].fitted)
    assert np.isnan(data["fitted"].sel(material="b")).all()
    assert data["probability"].attrs["units"] == "1"


def test_a_library_keeps_its_properties():
    library = load_library("shipped")
    frame = library.to_pandas()
    one = library.materials[7]
    assert frame.loc[one.id, "initial_permeability"] == one.initial_permeability
    assert frame.loc[one.id, "material_class"] == one.material_class.value
    assert type(frame.loc[one.id, "material_class"]) is str
    data = library.to_xarray()
    assert data["density_kg_m3"].attrs["units"] == "kg/m3"
    assert data.sizes["id"] == len(library.materials)


@pytest.mark.parametrize("name", ["pandas", "xarray"])
def test_a_missing_package_is_one_clear_line(name, sweep, monkeypatch):
    real = importlib.import_module

    def refuse(wanted, *more):
        if wanted == name:
            raise ImportError(wanted)
        return real(wanted, *more)

    monkeypatch.setattr("whichcore.analysis.frames.import_module", refuse)
    with pytest.raises(InputError, match=rf"to_{name}: {name} is not installed; next: pip install"):
        getattr(sweep, f"to_{name}")()


def test_showing_a_sweep_loads_neither(sweep, monkeypatch):
    real = builtins.__import__

    def refuse(name, *more, **named):
        assert name.split(".")[0] not in {"pandas", "xarray", "matplotlib"}
        return real(name, *more, **named)

    monkeypatch.setattr(builtins, "__import__", refuse)
    assert sweep._repr_html_().startswith("<table>")


def test_the_examples_of_the_page_are_true(monkeypatch, tmp_path):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    text = PAGE.read_text("utf-8")
    test = doctest.DocTestParser().get_doctest(text, {"np": np}, PAGE.name, str(PAGE), 0)
    assert len(test.examples) > 25
    told = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", WhichcoreWarning)
        found = doctest.DocTestRunner(verbose=False).run(test, out=told.append)
    assert found.failed == 0, "".join(told)
