"""The Python functions called with something else: one clear error that says what is wanted."""

import pytest

import whichcore
from identification import grade, grades, relaxation, ring, wound
from whichcore.analysis.sold_as import sold_as
from whichcore.errors import LibraryError, UsageError
from whichcore.files import parse_reading

WHOLE = {
    "specimen": ring(),
    "sweep": wound(relaxation(2300, 1.8e6)),
    "library": grades(grade("a", 2300, 2e6)),
}


@pytest.mark.parametrize(
    ("name", "value", "got", "wanted", "made_by"),
    [
        ("specimen", "ring.toml", "'ring.toml', of type str", "a Specimen", "load_specimen("),
        ("sweep", "ni.csv", "'ni.csv', of type str", "an ImpedanceSweep", "load_sweep("),
        ("library", [], "list", "a Library", "load_library("),
        ("library", None, "NoneType", "a Library", "load_library("),
        ("readings", ("152 uH @ 10 kHz",), "'152 uH @ 10 kHz', of type str", "a Reading", "parse_reading("),
        ("readings", "152 uH @ 10 kHz", "'152 uH @ 10 kHz', of type str", "a list or tuple", "(reading,)"),
        ("readings", None, "NoneType", "a list or tuple", "(reading,)"),
        ("evidence", ("NiZn",), "'NiZn', of type str", "a ClassEvidence", "sold_as("),
        ("evidence", 5, "5, of type int", "a list or tuple", "(piece,)"),
    ],
)
def test_identify_says_what_it_wants(name, value, got, wanted, made_by):
    arguments = WHOLE | {name: value}
    with pytest.raises(UsageError, match="wrong type") as caught:
        whichcore.identify(arguments.pop("specimen"), **arguments)
    error = caught.value
    assert error.where.startswith(f"identify, {name}")
    assert error.got == got
    assert error.allowed.startswith(wanted)
    assert made_by in error.next_step


@pytest.mark.parametrize("function", ["load_specimen", "load_sweep", "load_library"])
@pytest.mark.parametrize("value", [5, None, ["a.toml"], b"a.toml"])
def test_a_path_that_is_none_is_told(function, value):
    with pytest.raises(UsageError, match="a path was expected") as caught:
        getattr(whichcore, function)(value)
    assert caught.value.where == function
    assert caught.value.got == type(value).__name__


def test_the_pieces_it_names_exist():
    library = whichcore.load_library("shipped")
    verdict = whichcore.identify(
        ring(),
        readings=[parse_reading("152 uH @ 10 kHz")],
        library=library,
        evidence=(sold_as("NiZn", library),),
    )
    assert verdict.candidates


def test_an_empty_library_has_no_reasons_to_look_up():
    with pytest.raises(LibraryError) as caught:
        whichcore.identify(ring(), sweep=WHOLE["sweep"], library=grades())
    assert "0 refused" not in caught.value.one_line()
    assert "load_library" in caught.value.next_step
