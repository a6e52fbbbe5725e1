"""Values with units. Every expected number follows from the definition of the unit: analytic."""

import math
from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichcore.errors import InputError
from whichcore.files.units import Dimension, example_of, parse_prefixed, parse_quantity, units_of


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [  # analytic: definitions of the units
        ("25.0 mm", "length", 0.025),
        ("25.0mm", "length", 0.025),
        ("0.5 in", "length", 0.0127),
        ("1m2", "area", 1.0),
        ("48.9 mm²", "area", 48.9e-6),
        ("14.2 g", "mass", 0.0142),
        ("152 uH", "inductance", 152e-6),
        ("152 µH", "inductance", 152e-6),  # U+00B5
        ("152 μH", "inductance", 152e-6),  # U+03BC
        ("12 kohm", "resistance", 12e3),
        ("12 kOhm", "resistance", 12e3),
        ("12 kΩ", "resistance", 12e3),
        ("12 k\u2126", "resistance", 12e3),
        ("20 mohm", "resistance", 0.02),
        ("20 Mohm", "resistance", 20e6),
        ("5 pF", "capacitance", 5e-12),
        ("2.5e1 kHz", "frequency", 25e3),
        ("100 mV", "voltage", 0.1),
        ("-5 mV", "voltage", -0.005),
        ("48 h", "time", 172800.0),
        ("25 degC", "temperature", 25.0),
        ("-5 °C", "temperature", -5.0),
        ("−5 °C", "temperature", -5.0),
        ("298.15 K", "temperature", 25.0),
        ("0.1 mT", "flux density", 1e-4),
        ("4.8 g/cm3", "density", 4800.0),
        ("4.8 g/cm³", "density", 4800.0),
        ("5 ohm m", "resistivity", 5.0),
        ("5 Ω·m", "resistivity", 5.0),
        ("500 ohm*cm", "resistivity", 5.0),
        ("1.23 1/mm", "inverse length", 1230.0),
        ("0.025 1/mm3", "inverse volume", 2.5e7),
        ("25 %", "ratio", 0.25),
        ("25%", "ratio", 0.25),
    ],
)
def test_a_value_with_unit_is_the_exact_si_number(text, dimension, expected):
    assert parse_quantity(text, dimension) == expected


@pytest.mark.parametrize(
    ("text", "dimension", "spelling"),
    [
        ("4k7", "resistance", '"4.7 kohm"'),
        ("4K7", "resistance", '"4.7 kohm"'),
        ("4k7 ohm", "resistance", '"4.7 kohm"'),
        ("2R2", "resistance", '"2.2 ohm"'),
        ("0u1", "capacitance", '"0.1 uF"'),
        ("1m2", "length", '"1.2 m"'),
        ("25,0 mm", "length", '"25.0 mm"'),
        ("1,000 Hz", "frequency", '"1000 Hz"'),
        ("1,5", "length", '"1.5 mm"'),
        ("10 KHz", "frequency", '"10 kHz"'),
        ("10 mhz", "frequency", '"10 MHz"'),
        ("3 MM", "length", '"3 mm"'),
        ("25 C", "temperature", '"25 degC"'),
        ("25", "length", '"25 mm"'),
        (25.0, "length", '"25.0 mm"'),
    ],
)
def test_a_wrong_spelling_is_refused_and_the_right_one_shown(text, dimension, spelling):
    with pytest.raises(InputError) as caught:
        parse_quantity(text, dimension, where="here")
    assert spelling in caught.value.next_step
    assert caught.value.where == "here"
    assert caught.value.got == str(text)
    assert caught.value.allowed


@pytest.mark.parametrize(
    "text", ["nan mm", "inf mm", "1e400 mm", "1e99999 mm", "-1 mm", "101 m", "", "mm", "1 2 mm"]
)
def test_a_length_that_cannot_be_is_refused(text):
    with pytest.raises(InputError):
        parse_quantity(text, Dimension.LENGTH)


@pytest.mark.parametrize("text", ["1.231/mm", "1_0 mm", "٣ mm", "0x10 mm", "1e3e3 mm", "9" * 500 + " mm"])
def test_odd_numbers_are_refused(text):
    with pytest.raises(InputError):
        parse_quantity(text, Dimension.LENGTH)
    with pytest.raises(InputError):
        parse_quantity(text, Dimension.INVERSE_LENGTH)


@pytest.mark.parametrize("value", [True, None, [1], {"a": 1}])
def test_what_is_no_string_is_refused(value):
    with pytest.raises(InputError):
        parse_quantity(value, Dimension.LENGTH)


def test_a_unit_of_something_else_is_named_as_such():
    with pytest.raises(InputError, match="kg is a unit of mass, not of length"):
        parse_quantity("3 kg", Dimension.LENGTH)


def test_zero_hertz_is_no_frequency_and_absolute_zero_is_the_coldest():
    with pytest.raises(InputError):
        parse_quantity("0 Hz", Dimension.FREQUENCY)
    assert (
        parse_quantity("0 K", Dimension.TEMPERATURE) == -273.15
    )  # analytic: definition of the Celsius scale
    with pytest.raises(InputError):
        parse_quantity("-274 degC", Dimension.TEMPERATURE)


@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [  # analytic: definitions of the prefixes
        ("1k", "frequency", 1e3),
        ("3M", "frequency", 3e6),
        ("1000", "frequency", 1e3),
        ("10 kHz", "frequency", 1e4),
        ("100m", "voltage", 0.1),
        ("50", "resistance", 50.0),
        ("3 m", "time", 0.003),
        ("3 m", "length", 3.0),  # a length keeps its unit
        ("25", "temperature", 25.0),
        ("5", "ratio", 0.05),
    ],
)
def test_an_option_may_leave_out_its_unit(text, dimension, expected):
    assert parse_prefixed(text, dimension) == expected


@pytest.mark.parametrize(
    ("text", "dimension"),
    [("1K", "frequency"), ("3m", "frequency"), ("25", "length"), ("25k", "length"), ("4k7", "resistance")],
)
def test_an_option_refuses_a_prefix_that_is_wrong_or_says_nothing(text, dimension):
    with pytest.raises(InputError):
        parse_prefixed(text, dimension)


@pytest.mark.parametrize("dimension", list(Dimension))
def test_the_example_of_each_dimension_is_well_formed(dimension):
    assert math.isfinite(parse_quantity(example_of(dimension), dimension))


@given(st.sampled_from(list(Dimension)), st.data())
def test_any_number_with_any_unit_is_scaled_without_rounding_error(dimension, data):
    number = data.draw(st.decimals(min_value=1, max_value=9, places=4))
    unit = data.draw(st.sampled_from([unit for unit in units_of(dimension) if unit != "K"]))
    factor = Decimal(repr(parse_quantity(f"1 {unit}", dimension)))
    assert parse_quantity(f"{number} {unit}", dimension) == float(number * factor)


@given(st.text(max_size=30), st.sampled_from(list(Dimension)))
def test_any_text_gives_a_finite_number_or_one_clear_error(text, dimension):
    for parse in (parse_quantity, parse_prefixed):
        with suppress(InputError):
            assert math.isfinite(parse(text, dimension))
