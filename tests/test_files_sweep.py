"""Sweep files and their journal."""

import warnings
from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from whichcore.analysis.types import Distribution, ErrorSource, ImpedanceSweep, Scope
from whichcore.errors import InputError, WhichcoreWarning
from whichcore.files import SourceColumn, SweepJournal, SweepLayout, load_sweep, write_sweep

HEAD = "frequency_hz,impedance_real_ohm,impedance_imag_ohm,u_real_ohm,u_imag_ohm\n"


@pytest.fixture
def load(tmp_path):
    def write_and_load(content):
        path = tmp_path / "s.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return load_sweep(path)

    return write_and_load


def equal(left: ImpedanceSweep, right: ImpedanceSweep) -> bool:
    arrays = ("frequency_hz", "impedance_ohm", "flux_density_t", "time_s")
    for name in arrays:
        a, b = getattr(left, name), getattr(right, name)
        if (a is None) != (b is None) or (a is not None and not np.array_equal(a, b)):
            return False
    names = ("range_labels", "temperature_c", "drive_vrms", "wiring", "scatter_estimated", "notes")
    sources = [
        [(s.id, s.scope, s.distribution, s.sensitivity.tolist()) for s in x.sources] for x in (left, right)
    ]
    return (
        all(getattr(left, name) == getattr(right, name) for name in names)
        and sources[0] == sources[1]
        # the file holds square roots: the last digit of a variance may differ
        and np.allclose(left.scatter, right.scatter, rtol=1e-12, atol=0)
    )


def full_sweep() -> ImpedanceSweep:
    frequency = np.array([1e3, 1e4, 1e5])
    return ImpedanceSweep(
        frequency_hz=frequency,
        impedance_ohm=np.array([0.1 + 1.5j, 0.2 + 15j, 3 + 140j]),
        scatter=np.array([[[1e-4, 5e-5], [5e-5, 4e-4]]] * 3),
        sources=(
            ErrorSource("shunt", Scope.SPECIMENS, np.array([1 + 1j, 2j, 3])),
            ErrorSource("lead", Scope.SWEEP, np.array([0.1j, 0.2j, 0.3j]), Distribution.RECTANGULAR),
            ErrorSource("gain", Scope.RANGE, np.array([1.0, 2.0, 3.0]) + 0j),
            ErrorSource("jitter", Scope.POINT, np.array([1.0, 2.0, 3.0]) * 1j, Distribution.ARCSINE),
        ),
        flux_density_t=np.array([1e-4, 2e-4, 3e-4]),
        range_labels=("A1/B1", "A1/B1", 'odd, "quoted"'),
        time_s=np.array([0.0, 1.5, 3.25]),
        temperature_c=23.5,
        drive_vrms=0.1,
        wiring="two-windings",
        notes={"specimen": "bin 7", "calibration": "c1", "odd key": "kept: too", "comment": "one\ntwo"},
    )


def test_everything_a_sweep_holds_survives_the_file(tmp_path):
    sweep = full_sweep()
    write_sweep(tmp_path / "s.csv", sweep)
    assert equal(load_sweep(tmp_path / "s.csv"), sweep)


def test_the_columns_are_those_of_the_reference(load):
    sweep = load(
        "# format: whichcore-sweep 1\n# temperature: 25 degC\n# drive_vrms: 100 mV\n"
        "# wiring: shunt-at-ground\n"
        "# specimen: piece 3\n# somebody: wrote this\n# common_across_specimens: cal\n"
        "frequency_hz,impedance_real_ohm,impedance_imag_ohm,u_real_ohm,u_imag_ohm,correlation,flux_density_t,"
        "range,time_s,s_real_cal_ohm,s_imag_cal_ohm\n"
        "1000,1,2,0.1,0.2,-0.5,0.0001,low,0,0.01,0.02\n"
        "2000,3,4,0.3,0.4,1,0.0002,high,1.5,0.03,0.04\n"
    )
    assert sweep.impedance_ohm.tolist() == [1 + 2j, 3 + 4j]
    # analytic: variances and covariance u_R u_X r
    assert sweep.scatter == pytest.approx(
        np.array([[[0.01, -0.01], [-0.01, 0.04]], [[0.09, 0.12], [0.12, 0.16]]])
    )
    assert sweep.temperature_c == 25.0
    assert sweep.drive_vrms == 0.1
    assert sweep.wiring == "shunt-at-ground"
    assert sweep.notes == {"specimen": "piece 3", "somebody": "wrote this"}
    assert sweep.range_labels == ("low", "high")
    assert sweep.sources[0].id == "cal"
    assert sweep.sources[0].scope is Scope.SPECIMENS
    assert sweep.sources[0].sensitivity.tolist() == [0.01 + 0.02j, 0.03 + 0.04j]
    assert not sweep.scatter_estimated


def test_a_source_on_no_list_is_common_to_the_sweep(load):
    sweep = load(HEAD.strip() + ",s_real_a_ohm,s_imag_a_ohm\n1000,1,2,0,0,1,1\n")
    assert sweep.sources[0].scope is Scope.SWEEP
    assert sweep.sources[0].distribution is Distribution.NORMAL


def test_without_uncertainties_the_scatter_is_estimated_and_told(load, tmp_path):
    rows = "".join(f"{f},{f * 1e-4!r},{f * 1e-2!r}\n" for f in range(1000, 2000, 50))
    text = "frequency_hz,impedance_real_ohm,impedance_imag_ohm\n" + rows
    with pytest.warns(WhichcoreWarning, match="scatter is estimated"):
        sweep = load(text)
    assert sweep.scatter_estimated
    # practice: at least 0.3 % of |Z| on each part, and this curve has no scatter of its own
    least = (0.003 * np.abs(sweep.impedance_ohm)) ** 2
    assert sweep.scatter[:, 0, 0] == pytest.approx(least)
    assert sweep.scatter[:, 1, 1] == pytest.approx(least)
    write_sweep(tmp_path / "t.csv", sweep)
    with pytest.warns(WhichcoreWarning, match="scatter is estimated"):
        assert equal(load_sweep(tmp_path / "t.csv"), sweep)


def test_uncertainties_of_zero_throughout_are_estimated_and_told(load):
    rows = [f"{f},{f * 1e-4!r},{f * 1e-2!r}" for f in range(1000, 2000, 50)]
    with pytest.warns(WhichcoreWarning, match="are 0: no uncertainty is stated; the scatter is estimated"):
        zeros = load(HEAD + "".join(f"{row},0,0\n" for row in rows))
    with pytest.warns(WhichcoreWarning, match="no u_real_ohm"):
        none = load(HEAD.replace(",u_real_ohm,u_imag_ohm", "") + "".join(f"{row}\n" for row in rows))
    assert zeros.scatter_estimated
    assert equal(zeros, none)


def test_a_single_uncertainty_of_zero_is_replaced_and_the_others_stay(load):
    rows = "".join(
        f"{f},{f * 1e-4!r},{f * 1e-2!r},{0 if f == 1500 else 1},1\n" for f in range(1000, 2000, 50)
    )
    with pytest.warns(WhichcoreWarning, match="u_real_ohm is 0 at 1 of 20 frequencies"):
        sweep = load(HEAD + rows)
    assert not sweep.scatter_estimated
    at = sweep.frequency_hz == 1500
    # practice: at least 0.3 % of |Z|
    assert sweep.scatter[at, 0, 0] == pytest.approx((0.003 * np.abs(sweep.impedance_ohm[at])) ** 2)
    assert np.all(sweep.scatter[~at] == np.eye(2))


@pytest.mark.parametrize(("column", "part"), [("u_imag_ohm", 1), ("u_real_ohm", 0)])
def test_of_half_stated_uncertainties_only_the_missing_half_is_estimated(load, column, part):
    stated = ["0.5", "0.5"]
    stated[part] = "0"
    rows = "".join(f"{f},{f * 1e-4!r},{f * 1e-2!r},{','.join(stated)}\n" for f in range(1000, 2000, 50))
    with pytest.warns(WhichcoreWarning, match=f": {column} is 0: no uncertainty is stated there"):
        sweep = load(HEAD + rows)
    assert not sweep.scatter_estimated
    assert np.all(sweep.scatter[:, 1 - part, 1 - part] == 0.25)  # analytic: as stated
    # practice: at least 0.3 % of |Z|
    assert sweep.scatter[:, part, part] == pytest.approx((0.003 * np.abs(sweep.impedance_ohm)) ** 2)
    assert np.all(sweep.scatter[:, 0, 1] == 0)


def test_unsorted_rows_are_sorted_together_and_told(load):
    with pytest.warns(WhichcoreWarning, match="sorted"):
        sweep = load(HEAD.strip() + ",range\n2000,3,4,0.3,0.4,b\n1000,1,2,0.1,0.2,a\n")
    assert sweep.frequency_hz.tolist() == [1000, 2000]
    assert sweep.impedance_ohm.tolist() == [1 + 2j, 3 + 4j]
    assert sweep.range_labels == ("a", "b")
    assert sweep.scatter[0, 0, 0] == pytest.approx(0.01)  # analytic


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_line_ends_and_byte_order_mark_make_no_difference(load, mark, end):
    text = (HEAD + "1000,1,2,0.1,0.2\n\n 2000 , 3 , 4 , 0.1 , 0.2\n").encode()
    assert load(mark + text.replace(b"\n", end)).impedance_ohm.tolist() == [1 + 2j, 3 + 4j]


def test_a_file_of_the_project_without_a_last_line_end_is_warned_of(load):
    with pytest.warns(WhichcoreWarning, match="cut off"):
        load("# format: whichcore-sweep 1\n" + HEAD + "1000,1,2,0.1,0.2")
    load(HEAD + "1000,1,2,0.1,0.2")  # a hand-made one is often saved like this


ROW = "1000,1,2,0.1,0.2\n"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "the file is empty"),
        ("\n \n", "the file is empty"),
        ("# a: b\n", "no line of column names"),
        (HEAD, "not one row"),
        ("# format: whichcore-sweep 2\n" + HEAD + ROW, "format version"),
        ("# format: other\n" + HEAD + ROW, "whichcore-sweep 1"),
        (HEAD.replace("impedance_real", "impedence_real") + ROW, "did you mean impedance_real_ohm"),
        (HEAD.strip() + ",flux_densty_t\n1000,1,2,0.1,0.2,1\n", "did you mean flux_density_t"),
        (HEAD.strip() + ",u_imag_ohm\n1000,1,2,0.1,0.2,0.2\n", "stands twice"),
        (HEAD.strip() + ",\n1000,1,2,0.1,0.2,0.2\n", "without a name"),
        ("frequency_hz,impedance_real_ohm\n1000,1\n", "impedance_imag_ohm is missing"),
        (HEAD.replace(",u_imag_ohm", "") + "1000,1,2,0.1\n", "u_imag_ohm is missing"),
        (
            "frequency_hz,impedance_real_ohm,impedance_imag_ohm,correlation\n1,1,1,0\n",
            "u_real_ohm is missing",
        ),
        (HEAD.strip() + ",s_real_a_ohm\n1000,1,2,0.1,0.2,1\n", "s_imag_a_ohm is missing"),
        (HEAD + ROW + ROW, "line 3, frequency_hz: a frequency stands twice"),
        (HEAD + "0,1,2,0.1,0.2\n", "positive"),
        (HEAD + "-5,1,2,0.1,0.2\n", "positive"),
        (HEAD + "1000,nan,2,0.1,0.2\n", "line 2, impedance_real_ohm: a finite number"),
        (HEAD + "1000,1,inf,0.1,0.2\n", "line 2, impedance_imag_ohm: a finite number"),
        (HEAD + "1000,1,1e999,0.1,0.2\n", "finite number"),
        (HEAD + "1000,1,,0.1,0.2\n", "the cell is empty"),
        (HEAD + "1000,1,1_0,0.1,0.2\n", "finite number"),
        (HEAD + "1000,1,2,-0.1,0.2\n", "line 2, u_real_ohm: this cannot be negative"),
        (HEAD + "1000,1,2,0.1\n2000,1,2,0.1,0.2\n", "line 2: the row is short"),
        (HEAD + ROW + "2000,1,2", "line 3: the row is short; the file ends in the middle of it"),
        (HEAD + "1000,1,2,0.1,0.2,7\n", "longer"),
        (HEAD + '1000,"1,2,0.1,0.2\n', "cannot be split"),
        (HEAD.replace(",", ";") + "1000;1,5;2;0,1;0,2\n", "semicolons"),
        (HEAD.replace(",", ";") + "1000;1,5;2;0,1;0,2\n", "English number format"),
        (HEAD.replace(",", "\t") + "1000\t1\t2\t0\t0\n", "tabs"),
        (HEAD + '1000,"1,5",2,0.1,0.2\n', "write 1.5"),
        (HEAD.strip() + ",correlation\n1000,1,2,0.1,0.2,1.01\n", "between -1 and 1"),
        (HEAD.strip() + ",flux_density_t\n1000,1,2,0.1,0.2,-1\n", "cannot be negative"),
        (HEAD.strip() + ",time_s\n1000,1,2,0.1,0.2,-1\n", "cannot be negative"),
        (HEAD.strip() + ",range\n1000,1,2,0.1,0.2,\n", "label is empty"),
        ("# temperature: 25\n" + HEAD + ROW, "line 1, temperature"),
        ("# drive_vrms: -1 V\n" + HEAD + ROW, "line 1, drive_vrms"),
        ("# wiring: shunt at ground\n" + HEAD + ROW, "did you mean shunt-at-ground"),
        ("# specimen: a\n# specimen: b\n" + HEAD + ROW, "line 2, specimen"),
        (HEAD + "2000,1e300,0,0.1,0.2\n", "line 2, impedance_real_ohm: this cannot be"),
        (HEAD + "2000,1,0,0.1,1e200\n", "line 2, u_imag_ohm: this cannot be"),
        ("# common_across_specimens: a\n" + HEAD + ROW, "no columns of this error source"),
        ("# distribution: a=normal\n" + HEAD + ROW, "no columns of this error source"),
    ],
)
def test_a_fault_of_the_file_is_one_clear_line(load, text, told):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with pytest.raises(InputError) as caught:
            load(text)
    assert told in str(caught.value)
    assert "s.csv" in caught.value.where


S_HEAD = HEAD.strip() + ",s_real_shunt_ohm,s_imag_shunt_ohm\n1000,1,2,0.1,0.2,1,1\n"


@pytest.mark.parametrize(
    ("header", "told"),
    [
        ("# common_across_specimens: shnt\n", "did you mean shunt"),
        ("# common_across_specimens: shunt\n# independent_per_point: shunt\n", "two scopes"),
        ("# common_to_range: shunt\n", "no range column"),
        ("# distribution: shunt=gauss\n", "normal, rectangular"),
    ],
)
def test_a_wrong_statement_on_a_source_is_refused(load, header, told):
    with pytest.raises(InputError) as caught:
        load(header + S_HEAD)
    assert told in str(caught.value)


@pytest.mark.parametrize("name", ["", " a", "a,b", "a;b", "a=b", 'a"b', "a\nb"])
def test_a_source_id_that_could_not_be_read_back_is_not_written(tmp_path, name):
    layout = SweepLayout(sources=(SourceColumn(name),))
    with pytest.raises(InputError, match="id of an error source"):
        SweepJournal.create(tmp_path / "j.csv", layout)
    assert not (tmp_path / "j.csv").exists()


@pytest.mark.parametrize("header", [{"a:b": "c"}, {"format": "x"}, {"a": "b\nc"}, {"": "x"}, {" a": "x"}])
def test_a_header_line_that_could_not_be_read_back_is_not_written(tmp_path, header):
    with pytest.raises(InputError, match="header line"):
        SweepJournal.create(tmp_path / "j.csv", SweepLayout(header=header))


finite = st.floats(-1e12, 1e12, allow_subnormal=False)
parts = hnp.arrays(np.float64, 3, elements=finite)
spreads = hnp.arrays(np.float64, 3, elements=st.floats(1e-9, 1e6))
texts = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), min_size=1, max_size=8)
ids = texts.filter(lambda text: not set(text) & set(",;=\"'"))


@settings(max_examples=60)
@given(
    real=parts,
    imag=parts,
    u=spreads,
    v=spreads,
    r=st.floats(-1, 1),
    name=ids,
    label=texts,
    scope=st.sampled_from(Scope),
)
def test_any_sweep_survives_the_file(tmp_path_factory, *, real, imag, u, v, r, name, label, scope):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    scatter = np.stack([np.stack([u**2, r * u * v], -1), np.stack([r * u * v, v**2], -1)], -2)
    sweep = ImpedanceSweep(
        frequency_hz=np.array([1.0, 1e3 / 3, 1e7]),
        impedance_ohm=real + 1j * imag,
        scatter=scatter,
        sources=(ErrorSource(name, scope, imag + 1j * real),),
        range_labels=(label,) * 3,
        notes={"specimen": label},
    )
    write_sweep(path, sweep)
    assert equal(load_sweep(path), sweep)


@given(st.text(alphabet='0123456789,.;\n\t#:-eEnaif "abc_ohm', max_size=200))
def test_any_text_is_a_sweep_or_one_clear_error(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "any-text.csv"
    for content in (text, HEAD + text):
        path.write_text(content)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", WhichcoreWarning)
            with suppress(InputError):
                assert np.all(np.isfinite(load_sweep(path).impedance_ohm))


def test_a_comment_may_call_itself_one(tmp_path):
    path, again = tmp_path / "s.csv", tmp_path / "t.csv"
    path.write_text("# by hand\n# comment: second try\n" + HEAD + ROW)
    sweep = load_sweep(path)
    assert sweep.notes["comment"] == "by hand\ncomment: second try"
    write_sweep(again, sweep)
    assert load_sweep(again).notes == sweep.notes


def test_an_uncertainty_that_the_curve_contradicts_is_widened_aloud(tmp_path):
    """1 % of noise, and 0.1 % stated: no material would fit, and all would be sure of it."""
    f = np.geomspace(1e3, 3e6, 60)
    z = 0.05 + 2j * np.pi * f * 1e-7 * (1 + 2299 / (1 + 1j * f / 1.8e6))
    rng = np.random.default_rng(4)
    z = z + 0.01 * np.abs(z) * (rng.normal(size=z.size) + 1j * rng.normal(size=z.size))
    file = tmp_path / "noisy.csv"

    def loaded(share):
        rows = [f"{a},{b.real},{b.imag},{share * abs(b)},{share * abs(b)}" for a, b in zip(f, z, strict=True)]
        head = "frequency_hz,impedance_real_ohm,impedance_imag_ohm,u_real_ohm,u_imag_ohm"
        file.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
        return load_sweep(file)

    assert loaded(0.01).scatter[5, 0, 0] == pytest.approx(abs(0.01 * z[5]) ** 2)
    with pytest.warns(WhichcoreWarning, match=r"stray by .* times what u_real_ohm, u_imag_ohm state"):
        sweep = loaded(0.001)
    # computed: the scatter over |Z| from a median over 60 points in two parts is known to 11 %
    assert np.sqrt(sweep.scatter[:, 1, 1]) / np.abs(z) == pytest.approx(0.01, rel=0.35)
    assert not sweep.scatter_estimated
