"""How numbers are said."""

import pytest

from whichcore.wording import (
    amount,
    certainty,
    finely,
    fixed,
    hertz,
    in_percent,
    listed,
    percent,
    quantity,
    with_uncertainty,
)


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        # published, JCGM 100:2008, 7.2.6 (memory): 10.057 62 Ω with u 27 mΩ is rounded to 10.058 Ω
        (10.05762, 0.027, "10.058 ± 0.027"),
        # published, JCGM 100:2008, 7.2.2 (memory): 100.021 47 g with u 0.35 mg
        (100.02147, 0.00035, "100.02147 ± 0.00035"),
        # analytic: two digits of u, the value as fine
        (2307.393, 46.697, "2307 ± 47"),
        (29574.8, 889.1, "29570 ± 890"),
        (0.0123456, 0.000996, "0.0123 ± 0.0010"),
        (813.5, 9.96, "814 ± 10"),
        (-3.21, 1.2, "−3.2 ± 1.2"),
        (2.25, 1.2, "2.2 ± 1.2"),
        (1e6, 123456.0, "1000000 ± 120000"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_digit(value, uncertainty, text):
    assert with_uncertainty(value, uncertainty) == text


@pytest.mark.parametrize("uncertainty", [0.0, float("nan"), float("inf")])
def test_an_unknown_uncertainty_says_so(uncertainty):
    assert with_uncertainty(812.34, uncertainty) == "812.3 (uncertainty not known)"


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        # the thresholds of probability_words.csv, practice
        (1.0, "almost certainly"),
        (0.99, "almost certainly"),
        (0.98, "very probably"),
        (0.8, "probably"),
        (0.79, "more likely than not"),
        (0.2, "possibly"),
        (0.0, "hardly"),
    ],
)
def test_probability_in_words(probability, words):
    assert certainty(probability) == words


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        # analytic
        (1000.0, "Hz", "1 kHz"),
        (999.6, "Hz", "1 kHz"),
        (3e6, "Hz", "3 MHz"),
        (1.5e13, "Hz", "1.5e+04 GHz"),
        (0.25e-3, "T", "250 µT"),
        (1e-3, "T", "1 mT"),
        (0.0, "m", "0 m"),
    ],
)
def test_quantity_takes_the_prefix_that_fits(value, unit, text):
    assert quantity(value, unit) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        # analytic: three digits, trailing zeros told, written out
        (0.0, "0"),
        (2000.0, "2000"),
        (12345.0, "12300"),
        (12.0, "12.0"),
        (0.00123456, "0.00123"),
        (-0.5, "-0.500"),
        (999.96, "1000"),
    ],
)
def test_an_amount_without_a_unit_takes_no_power_of_ten(value, text):
    assert amount(value, "") == text
    assert amount(value, "°") == f"{text} °"


@pytest.mark.parametrize(
    ("ratio", "text"),
    # analytic: two digits, written out
    [
        (1.304, "130 %"),
        (0.051, "5.1 %"),
        (0.05, "5 %"),
        (0.0, "0 %"),
        (-0.123, "−12 %"),
        (1.6e-5, "0.0016 %"),
    ],
)
def test_a_ratio_in_percent_is_written_out(ratio, text):
    assert in_percent(ratio) == text


def test_a_frequency_is_told_with_its_prefix():
    assert [hertz(f) for f in (50.0, 999.6, 1.784e6, 0.02)] == [
        "50 Hz",
        "1 kHz",
        "1.78 MHz",
        "20 mHz",
    ]  # analytic
    assert hertz(1234.5, 4) == "1.234 kHz"


@pytest.mark.parametrize(
    ("value", "places", "signed", "text"),
    [
        # analytic: ISO 80000-1 writes a true minus sign (memory); a zero has no sign, whichever side it is of
        (-0.004, 2, True, "0.00"),
        (0.004, 2, True, "0.00"),
        (-0.0, 0, False, "0"),
        (-0.4, 0, True, "0"),
        (-0.006, 2, False, "−0.01"),
        (1.2345, 2, True, "+1.23"),
        (-12.5, 1, True, "−12.5"),
        (float("nan"), 2, True, "+nan"),
    ],
)
def test_a_number_that_is_rounded_to_nothing_has_no_sign(value, places, signed, text):
    assert fixed(value, places, signed=signed) == text


def test_the_end_of_an_interval_about_nothing_has_no_sign():
    assert finely(-1e-9, 0.5, "°") == "0.000 °"


def test_percent_never_gives_certainty():
    assert percent(1.0) == "> 99.9 %"
    assert percent(0.0) == "< 0.1 %"


def test_lists_read_as_a_sentence():
    assert [listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c"])] == ["a", "a or b", "a, b or c"]
