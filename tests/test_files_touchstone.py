"""One-port Touchstone files, checked against scikit-rf (independent code) in both directions."""

import numpy as np
import pytest
import skrf
from hypothesis import given, settings
from hypothesis import strategies as st

from whichcore.analysis.types import ErrorSource, ImpedanceSweep, Scope
from whichcore.errors import InputError, WhichcoreWarning
from whichcore.files import TouchstoneOptions, load_sweep, read_touchstone, write_touchstone

FREQUENCY = np.geomspace(1e3, 3e6, 12)
IMPEDANCE = 0.1 + 1e-5 * FREQUENCY + 2j * np.pi * FREQUENCY * 150e-6


def sweep(impedance=IMPEDANCE, **more):
    scatter = np.zeros((len(impedance), 2, 2))
    values = {"scatter_estimated": True} | more
    return ImpedanceSweep(FREQUENCY[: len(impedance)], np.asarray(impedance, complex), scatter, **values)


def read(path):
    with pytest.warns(WhichcoreWarning, match="states no uncertainty"):
        return read_touchstone(path)


@pytest.mark.parametrize("unit", ["HZ", "KHZ", "MHZ", "GHZ"])
@pytest.mark.parametrize("parameter", ["S", "Y", "Z"])
@pytest.mark.parametrize("number_format", ["MA", "DB", "RI"])
def test_what_is_written_is_read_back(tmp_path, unit, parameter, number_format):
    path = tmp_path / "a.s1p"
    write_touchstone(path, sweep(), TouchstoneOptions(unit, parameter, number_format, 75.0))
    back = read(path)
    assert back.frequency_hz == pytest.approx(FREQUENCY, rel=1e-14)
    # S loses digits where |Z| is far from the reference: |dZ/Z| is some 1e-16·75/|Z|
    assert back.impedance_ohm == pytest.approx(IMPEDANCE, rel=1e-12)
    assert back.scatter_estimated


@pytest.mark.parametrize("parameter", ["S", "Z"])
@pytest.mark.parametrize("number_format", ["MA", "DB", "RI"])
def test_scikit_rf_reads_what_is_written_here(tmp_path, parameter, number_format):
    path = tmp_path / "a.s1p"
    write_touchstone(path, sweep(), TouchstoneOptions("KHZ", parameter, number_format, 75.0))
    network = skrf.Network(str(path))
    assert network.f == pytest.approx(FREQUENCY)
    assert network.z[:, 0, 0] == pytest.approx(IMPEDANCE, rel=1e-9)  # independent code


def test_scikit_rf_reads_admittances_of_one_ohm(tmp_path):
    # At another reference resistance the reader of scikit-rf 2.2 multiplies y by R where y = Y·R asks for a
    # division (its own writer makes y = Y·R, see below). At one ohm both agree.
    path = tmp_path / "a.s1p"
    write_touchstone(path, sweep(), TouchstoneOptions("HZ", "Y", "RI", 1.0))
    assert skrf.Network(str(path)).z[:, 0, 0] == pytest.approx(IMPEDANCE, rel=1e-9)  # independent code


@pytest.mark.parametrize("number_format", ["ma", "db", "ri"])
@pytest.mark.parametrize("parameter", ["S", "Y", "Z"])
def test_what_scikit_rf_writes_is_read_here(tmp_path, number_format, parameter):
    reflection = (IMPEDANCE - 50) / (IMPEDANCE + 50)
    network = skrf.Network(f=FREQUENCY, f_unit="Hz", s=reflection[:, None, None], z0=50, name="a")
    network.write_touchstone(str(tmp_path / "a"), form=number_format, parameter=parameter)
    (written,) = tmp_path.iterdir()  # .y1p and .z1p by its own custom
    assert read(written).impedance_ohm == pytest.approx(IMPEDANCE, rel=1e-9)  # independent code


def test_defaults_comments_and_case_are_those_of_the_specification(tmp_path):
    path = tmp_path / "a.s1p"
    # memory: Touchstone 1.1, default option line # GHz S MA R 50; later option lines ignored
    path.write_text("! made: today\n#\n1e-6 0.5 0 ! matched\n# Hz Z RI R 1\n2e-6 0 0\n3e-6 0.5 180\n")
    back = read(path)
    assert back.frequency_hz == pytest.approx([1e3, 2e3, 3e3])
    assert back.impedance_ohm == pytest.approx([150, 50, 50 / 3])  # analytic: Z = R (1 + S)/(1 − S)
    assert back.notes == {"made": "today"}
    path.write_text("# r 10 ri khz z\n1 2 3\n2 4 6\n")
    assert read(path).impedance_ohm.tolist() == [20 + 30j, 40 + 60j]  # analytic: z normalised to 10 Ω


def test_a_sweep_is_loaded_by_its_ending(tmp_path):
    path = tmp_path / "A.S1P"
    write_touchstone(path, sweep())
    with pytest.warns(WhichcoreWarning):
        assert load_sweep(path).impedance_ohm == pytest.approx(IMPEDANCE, rel=1e-12)


def test_sources_and_uncertainty_that_are_left_out_are_told(tmp_path):
    source = ErrorSource("shunt", Scope.SWEEP, IMPEDANCE)
    with pytest.warns(WhichcoreWarning) as caught:
        write_touchstone(tmp_path / "a.s1p", sweep(sources=(source,), scatter_estimated=False))
    messages = [str(item.message) for item in caught]
    assert any("no error sources; left out: shunt" in text for text in messages)
    assert any("no uncertainty" in text for text in messages)


def test_header_lines_are_kept_as_comments(tmp_path):
    write_touchstone(tmp_path / "a.s1p", sweep(notes={"specimen": "bin 7"}))
    assert read(tmp_path / "a.s1p").notes == {"specimen": "bin 7"}


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "not one row"),
        ("# Hz S RI R 50\n", "not one row"),
        ("[Version] 2.0\n# Hz S RI\n", "version 2"),
        ("# Hz H RI R 50\n1 2 3\n", "got H"),
        ("# Hz S XX R 50\n1 2 3\n", "got XX"),
        ("# Hz S RI R\n1 2 3\n", "line 1, R"),
        ("# Hz S RI R 0\n1 2 3\n", "reference resistance"),
        ("# THz S RI\n1 2 3\n", "THZ"),
        ("# Hz S RI\n1 2\n", "line 2: a row of a one-port"),
        ("# Hz S RI\n1 2 3 4 5 6 7 8 9\n", ".s2p"),
        ("# Hz S RI\n1 2 nan\n", "finite number"),
        ("# Hz S RI\n1 0 1\n1 0 1\n", "line 3: the frequencies"),
        ("# Hz S RI\n2 0 1\n1 0 1\n", "rise from row to row"),
        ("# Hz S RI\n0 0 1\n", "positive"),
        ("# Hz S RI\n1 1 0\n", "infinite"),
        ("# Hz Y RI\n1 0 0\n", "infinite"),
    ],
)
def test_a_fault_is_one_clear_line(tmp_path, text, told):
    path = tmp_path / "a.s1p"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        read_touchstone(path)
    assert told in str(caught.value)
    assert "a.s1p" in caught.value.where


def test_what_cannot_be_written_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"ends in \.s1p"):
        write_touchstone(tmp_path / "a.csv", sweep())
    with pytest.raises(InputError, match="cannot be written as Y"):
        write_touchstone(tmp_path / "a.s1p", sweep([0j, 1j]), TouchstoneOptions("HZ", "Y", "RI"))
    with pytest.raises(InputError, match="cannot be written as S in DB"):
        write_touchstone(tmp_path / "a.s1p", sweep([50 + 0j, 1j]), TouchstoneOptions("HZ", "S", "DB"))
    with pytest.raises(InputError):
        TouchstoneOptions("Hz")
    assert list(tmp_path.iterdir()) == []


@settings(max_examples=30)
@given(st.lists(st.tuples(st.floats(0.01, 1e6), st.floats(-1e6, 1e6)), min_size=1, max_size=12))
def test_any_impedance_survives_as_z(tmp_path_factory, pairs):
    path = tmp_path_factory.getbasetemp() / "any.s1p"
    impedance = np.array([complex(*pair) for pair in pairs])
    write_touchstone(path, sweep(impedance), TouchstoneOptions("HZ", "Z", "RI", 50.0))
    assert read(path).impedance_ohm == pytest.approx(impedance, rel=1e-14)
