"""Tables typed, exported or traced from a data sheet. Tables are invented; expected numbers are analytic."""

import warnings
from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichcore.errors import InputError
from whichcore.files import import_table
from whichcore.files.table_columns import Role, column_of

EXPECTED_F = [1e4, 1e5, 1e6]
EXPECTED_MU = [2300 - 10j, 2290 - 60j, 1800 - 900j]
TABLE = "f [kHz];µ';µ''\n10;2300;10\n100;2290;60\n1000;1800;900\n"


@pytest.fixture
def load(tmp_path):
    def write_and_load(text, **hints):
        path = tmp_path / "t.txt"
        path.write_text(text, encoding="utf-8")
        return import_table(path, **hints)

    return write_and_load


@pytest.mark.parametrize(
    ("header", "role", "factor"),
    [
        ("f", Role.FREQUENCY, None),
        ("Frequency", Role.FREQUENCY, None),
        ("mHz", Role.FREQUENCY, None),  # millihertz or megahertz: the user must say
        ("f/Hz", Role.FREQUENCY, 1.0),
        ("frequency_hz", Role.FREQUENCY, 1.0),
        ("Freq (kHz)", Role.FREQUENCY, 1e3),
        ("freq in MHz", Role.FREQUENCY, 1e6),
        ("MHz", Role.FREQUENCY, 1e6),
        ("µ'", Role.MU_REAL, 1.0),
        ("μ′", Role.MU_REAL, 1.0),
        ("mu_real", Role.MU_REAL, 1.0),
        ("Re(µr)", Role.MU_REAL, 1.0),
        ("µs'", Role.MU_REAL, 1.0),
        ("mu' [-]", Role.MU_REAL, 1.0),
        ("µ''", Role.MU_IMAG, 1.0),
        ('µ"', Role.MU_IMAG, 1.0),
        ("μ″", Role.MU_IMAG, 1.0),
        ("mu_imag", Role.MU_IMAG, 1.0),
        ("Im(µ)", Role.MU_IMAG, 1.0),
        ("mu double prime", Role.MU_IMAG, 1.0),
        ("tan δ", Role.TAN_DELTA, 1.0),
        ("tan_delta", Role.TAN_DELTA, 1.0),
        ("loss tangent", Role.TAN_DELTA, 1.0),
        ("tan δ/µi", Role.RELATIVE_LOSS, 1.0),
        ("tan d/mu (10^-6)", Role.RELATIVE_LOSS, 1e-6),
        ("tanδ/μi [×10⁻⁶]", Role.RELATIVE_LOSS, 1e-6),
        ("relative loss factor (ppm)", Role.RELATIVE_LOSS, 1e-6),
    ],
)
def test_usual_names_of_columns_are_known(header, role, factor):
    column = column_of(header)
    assert (column.role, column.factor) == (role, factor)


@pytest.mark.parametrize("header", ["", "Z", "loss factor", "|mu|", "temperature", "B"])
def test_a_name_with_no_or_two_meanings_is_not_known(header):
    assert column_of(header) is None


@pytest.mark.parametrize("separator", [";", ",", "\t", " "])
def test_any_separator_is_found(load, separator):
    text = TABLE.replace("f [kHz]", "f[kHz]").replace(";", separator)
    curve = load(text)
    assert curve.frequency_hz.tolist() == EXPECTED_F
    assert curve.permeability.tolist() == EXPECTED_MU
    assert any("as the table says" in note for note in curve.notes)


def test_decimal_commas_are_read_where_nothing_else_can_be_meant(load):
    curve = load("f [MHz];µ';µ''\n0,01;2300,5;10,25\n1;1800;900\n")
    assert curve.permeability[0] == 2300.5 - 10.25j
    assert "decimal commas read" in curve.notes


def test_a_comma_of_two_meanings_is_refused_until_the_user_says_it(load):
    text = "f [kHz];µ';µ''\n10;2,300;10\n100;2,290;60\n"
    with pytest.raises(InputError, match="thousands") as caught:
        load(text)
    assert "decimal_comma=True" in caught.value.next_step
    with pytest.raises(InputError, match="thousands"):
        load(text, decimal_comma=False)
    assert load(
        text.replace(";60", ";0.6").replace(";10", ";0.1"), decimal_comma=True
    ).permeability.tolist() == [
        2.3 - 0.1j,
        2.29 - 0.6j,
    ]


def test_units_may_stand_in_a_line_of_their_own(load):
    curve = load(
        "Material X, 25 degrees\n\n# traced\nf;µ';µ''\nkHz;-;-\n10;2300;10\n100;2290;60\n1000;1800;900\n"
    )
    assert curve.frequency_hz.tolist() == EXPECTED_F
    assert curve.permeability.tolist() == EXPECTED_MU


def test_a_unit_that_is_not_stated_is_asked_for_never_guessed(load):
    text = TABLE.replace("f [kHz]", "f")
    with pytest.raises(InputError, match="not guessed") as caught:
        load(text)
    assert "--frequency-unit" in caught.value.next_step
    curve = load(text, frequency_unit="kHz")
    assert curve.frequency_hz.tolist() == EXPECTED_F
    assert any("as said" in note for note in curve.notes)
    with pytest.raises(InputError, match="unknown unit"):
        load(text, frequency_unit="mHz")
    with pytest.raises(InputError, match="not the one that was said"):
        load(TABLE, frequency_unit="MHz")


def test_rows_out_of_order_are_sorted_and_noted(load):
    curve = load("f [kHz];µ';µ''\n1000;1800;900\n10;2300;10\n100;2290;60\n")
    assert curve.frequency_hz.tolist() == EXPECTED_F
    assert curve.permeability.tolist() == EXPECTED_MU
    assert "rows sorted by frequency" in curve.notes


def test_the_loss_tangent_gives_the_loss(load):
    curve = load("f [kHz];µ';tan δ\n10;2000;0.01\n100;1000;0.5\n")
    assert curve.permeability == pytest.approx([2000 - 20j, 1000 - 500j])
    assert any("μ″ = tan δ·μ′" in note for note in curve.notes)


def test_the_relative_loss_factor_gives_the_loss(load):
    # memory: relative loss factor (tan δ)/μ = μ″/μ′², here 5·10⁻⁶ · 2000² = 20
    curve = load("f [kHz];µ';tan δ/µi (10^-6)\n10;2000;5\n100;1000;50\n")
    assert curve.permeability == pytest.approx([2000 - 20j, 1000 - 50j])
    assert any("μ′²" in note for note in curve.notes)
    assert any("multiplied by 1e-06" in note for note in curve.notes)


def test_a_relative_loss_factor_whose_scale_is_not_stated_is_noticed(load):
    with pytest.raises(InputError, match="10\\^-6"):
        load("f [kHz];µ';tan δ/µi\n10;2000;5\n100;1000;50\n")


def test_a_loss_tangent_beyond_the_resonance_is_refused(load):
    with pytest.raises(InputError, match="negative"):
        load("f [kHz];µ';tan δ\n10;2000;0.01\n100;-10;0.5\n")


def test_the_other_sign_of_the_loss_is_turned_and_noted(load):
    curve = load(TABLE.replace(";10\n", ";-10\n").replace(";60", ";-60").replace(";900", ";-900"))
    assert curve.permeability.tolist() == EXPECTED_MU
    assert any("its sign is turned" in note for note in curve.notes)


def test_a_loss_of_both_signs_is_refused(load):
    with pytest.raises(InputError, match="line 3: the loss is negative in some rows"):
        load(TABLE.replace(";60", ";-60"))


def test_exchanged_columns_are_noticed(load):
    exchanged = TABLE.replace("µ';µ''", "µ'';µ'")
    with pytest.raises(InputError, match="look exchanged") as caught:
        load(exchanged)
    assert "mu_imag" in caught.value.next_step
    order = ["frequency", "mu_real", "mu_imag"]
    assert load(exchanged, columns=order).permeability.tolist() == EXPECTED_MU
    # flat from the first octave on, with a loss that does not rise
    with pytest.raises(InputError, match="look exchanged"):
        load("f [kHz];µ';µ''\n10;20;2300\n15;19;2299\n20;19;2299\n1000;10;2280\n")


def test_a_curve_that_begins_above_its_corner_is_not_taken_for_exchanged(load):
    # analytic: relaxation 2000/(1 + jf/f_r) at f/f_r = 2, 4, 8
    ratio = np.array([2.0, 4.0, 8.0])
    mu = 2000 / (1 + 1j * ratio)
    rows = "".join(
        f"{f!r};{m.real!r};{-m.imag!r}\n" for f, m in zip(ratio.tolist(), mu.tolist(), strict=True)
    )
    assert load("f [MHz];µ';µ''\n" + rows).permeability == pytest.approx(mu)


def test_columns_named_by_the_user(load):
    curve = load(
        "10;7;2300;10\n100;7;2290;60\n1000;7;1800;900\n",
        columns=["frequency", "skip", "mu_real", "mu_imag"],
        frequency_unit="kHz",
    )
    assert curve.permeability.tolist() == EXPECTED_MU
    assert "column 2 left out" in curve.notes
    with pytest.raises(InputError, match="unknown kind of column"):
        load(TABLE, columns=["frequency", "mu", "mu_imag"])
    with pytest.raises(InputError, match="not each column"):
        load(TABLE, columns=["frequency", "mu_real"])


def test_two_files_are_joined_over_their_common_span(load, tmp_path):
    (tmp_path / "loss.csv").write_text("f [MHz],µ''\n0.02,20\n0.2,40\n2,60\n")
    curve = load("f [kHz];µ'\n10;1000\n1000;500\n", loss_table=tmp_path / "loss.csv")
    assert curve.frequency_hz.tolist() == [2e4, 2e5, 1e6]
    # analytic: straight in log f between the points
    real = 1000 - 500 * np.log10([2.0, 20.0, 100.0]) / 2
    loss = [20.0, 40.0, 40 + 20 * np.log10(5.0)]
    assert curve.permeability == pytest.approx(real - 1j * np.array(loss))
    assert any("2 points outside that span left out" in note for note in curve.notes)
    assert any(note.startswith("loss file: ") for note in curve.notes)


def test_two_files_without_a_common_span_are_refused(load, tmp_path):
    (tmp_path / "loss.csv").write_text("f [MHz],µ''\n2,20\n20,40\n")
    with pytest.raises(InputError, match="no span of frequency in common"):
        load("f [kHz];µ'\n10;1000\n1000;500\n", loss_table=tmp_path / "loss.csv")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no columns of numbers"),
        ("words only\n", "no columns of numbers"),
        ("10;2300;10\n100;2290;60\n", "no line of column names"),
        (TABLE.replace("µ''", "loss factor"), "not recognised"),
        (TABLE.replace("µ''", "µ'"), "two columns were read as mu_real"),
        (TABLE.replace("f [kHz]", "tan δ"), "no column of frequency"),
        (TABLE.replace("µ''", "kHz"), "two columns were read as frequency"),
        ("f [kHz];µ'\n10;2300\n100;2290\n", "no column of loss"),
        ("f [kHz];µ''\n10;2300\n100;2290\n", "no column of mu_real"),
        ("f [kHz];µ';µ'';tan δ\n10;2300;10;0.1\n100;2290;60;0.1\n", "once"),
        (TABLE.replace("100;", "10;", 1), "stands twice"),
        (TABLE.replace("10;2300", "0;2300"), "positive"),
        (TABLE.replace("2290;60", "2290"), "line 3: the row has another length"),
        (TABLE.replace("2290", "nan"), "line 3: a finite number"),
        ("f [kHz];µ';µ''\n10;2300;10\n", "two points"),
    ],
)
def test_a_fault_is_one_clear_line(load, text, told):
    with pytest.raises(InputError) as caught:
        load(text)
    assert told in str(caught.value)


@given(st.text(alphabet="0123456789,.;\t\n -eEfkHzµ'", max_size=120))
def test_any_text_is_a_curve_or_one_clear_error(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "any.txt"
    for content in (text, "f [kHz];µ';µ''\n" + text):
        path.write_text(content, encoding="utf-8")
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            with suppress(InputError):
                curve = import_table(path)
                assert np.all(np.isfinite(curve.permeability))
                assert np.all(np.diff(curve.frequency_hz) > 0)
