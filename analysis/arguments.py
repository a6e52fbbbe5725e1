"""What `identify` is called with, checked before the work begins: a wrong type is told in one line."""

from __future__ import annotations

from collections.abc import Sequence

from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.materials import Library
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ImpedanceSweep, Reading
from whichcore.errors import UsageError


def check_arguments(
    specimen: object, sweep: object, readings: object, library: object, evidence: object
) -> None:
    """Refuse what `identify` cannot work with.

    Raises
    ------
    UsageError
        An argument of another type than stated; the error names the function that makes what is wanted.
    """
    _check("specimen", specimen, Specimen, "load_specimen(path)")
    if sweep is not None:
        _check("sweep", sweep, ImpedanceSweep, "load_sweep(path)")
    _check("library", library, Library, "load_library()")
    for number, reading in enumerate(_several("readings", readings, "(reading,)")):
        _check(f"readings[{number}]", reading, Reading, 'whichcore.files.parse_reading("152 uH @ 10 kHz")')
    for number, piece in enumerate(_several("evidence", evidence, "(piece,)")):
        _check(
            f"evidence[{number}]", piece, ClassEvidence, 'whichcore.analysis.sold_as.sold_as("NiZn", library)'
        )


def _check(name: str, value: object, wanted: type, made_by: str) -> None:
    if not isinstance(value, wanted):
        article = "an" if wanted.__name__[0] in "AEIOU" else "a"
        raise _wrong(name, value, f"{article} {wanted.__name__}", made_by)


def _several(name: str, values: object, example: str) -> Sequence[object]:
    if isinstance(values, Sequence) and not isinstance(values, str):
        return values
    raise _wrong(name, values, "a list or tuple", example)


def _wrong(name: str, value: object, wanted: str, made_by: str) -> UsageError:
    kind = type(value).__name__
    return UsageError(
        "this is of the wrong type",
        where=f"identify, {name}",
        got=f"{value!r}, of type {kind}" if isinstance(value, (str, int, float)) else kind,
        allowed=wanted,
        next_step=f"make it by {made_by}",
    )
