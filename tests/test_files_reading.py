"""The syntax of one reading. Expected numbers follow from the units: analytic."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichcore.analysis.types import Reading, ReadingKind, Resistance
from whichcore.errors import InputError
from whichcore.files import parse_reading, parse_resistance

L, Z = ReadingKind.INDUCTANCE, ReadingKind.IMPEDANCE_MAGNITUDE


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("152 uH @ 10 kHz", Reading(L, 152e-6, 1e4)),
        ("152uH@10kHz", Reading(L, 152e-6, 1e4)),
        ("152 µH ± 3 uH @ 10 kHz", Reading(L, 152e-6, 1e4, 3e-6)),
        ("152 uH +/- 3 uH @ 10 kHz", Reading(L, 152e-6, 1e4, 3e-6)),
        ("200 uH +- 2 % @ 10 kHz", Reading(L, 200e-6, 1e4, 200e-6 * 0.02)),
        ("1.5 kΩ @ 1 MHz", Reading(Z, 1500.0, 1e6)),
        ("1.5 kohm ± 10 ohm @ 1 MHz", Reading(Z, 1500.0, 1e6, 10.0)),
        ("12 kohm", Resistance(12e3)),
        ("> 20 Mohm", Resistance(20e6, over_range=True)),
        (">20 MΩ", Resistance(20e6, over_range=True)),
    ],
)
def test_a_reading_is_read(text, expected):
    assert parse_reading(text) == expected


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("152 uH", '"152 uH @ 10 kHz"'),
        ("152 UH @ 10 kHz", '"152 uH"'),
        ("152 uH @ 10 KHz", '"10 kHz"'),
        ("152 uH ± 3 @ 10 kHz", "unit is missing"),
        ("152 uH ± 3 kHz @ 10 kHz", "unit of frequency"),
        ("4k7 ohm @ 1 kHz", '"4.7 kohm"'),
        ("0 uH @ 10 kHz", "positive"),
        ("152 uH ± 200 uH @ 10 kHz", "smaller than its value"),
        ("152 uH ± 1 uH ± 1 uH @ 10 kHz", "at most one"),
        ("152 uH @ 10 kHz @ 1 kHz", "@"),
        ("> 20 uH", "unit of inductance"),
        ("> 20 uH @ 10 kHz", "over its range"),
        ("> 20 Mohm @ 10 kHz", "over its range"),
        ("5 V @ 1 kHz", "H or ohm"),
        ("", "empty"),
        ("-3 ohm", "cannot be"),
        ("0 ohm", "positive"),
    ],
)
def test_a_wrong_reading_is_refused_with_the_reason(text, told):
    with pytest.raises(InputError) as caught:
        parse_reading(text)
    assert told in str(caught.value)


def test_a_bare_number_is_no_resistance():
    with pytest.raises(InputError, match="bare number"):
        parse_resistance(12000)


@given(
    st.floats(1e-9, 1.0, allow_nan=False),
    st.floats(1.0, 1e9),
    st.floats(0.001, 0.9),
    st.sampled_from(["±", "+/-", "+-"]),
)
def test_what_is_written_is_read_back(value, frequency, share, sign):
    spread = value * share
    reading = parse_reading(f"{value!r} H {sign} {spread!r} H @ {frequency!r} Hz")
    assert reading == Reading(L, value, frequency, spread)


@given(st.text(alphabet="0123456789 .,kMuHohmz@>±%-+", max_size=25))
def test_any_text_is_read_or_refused(text):
    with suppress(InputError):
        assert isinstance(parse_reading(text), Reading | Resistance)
