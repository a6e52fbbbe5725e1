"""Two kept sweeps side by side."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from whichcore.analysis.two_sweeps import SweepDifference, sweep_difference
from whichcore.analysis.types import ImpedanceSweep
from whichcore.errors import RecordError
from whichcore.files.csv_table import parse_table
from whichcore.files.sweep_file import sweep_of
from whichcore.files.text import decode
from whichcore.files.touchstone import touchstone_of
from whichcore.records.rows import Kind, Record
from whichcore.records.store import Store


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two sweeps and how they differ."""

    first: Record
    second: Record
    first_sweep: ImpedanceSweep
    second_sweep: ImpedanceSweep
    difference: SweepDifference


def kept_sweep(store: Store, record_id: str) -> tuple[Record, ImpedanceSweep]:
    """Return a kept sweep.

    Raises
    ------
    RecordError
        There is no such record, or it is no sweep.
    """
    record = store.find(record_id)
    if record.kind is not Kind.SWEEP:
        raise RecordError(
            "this record is no sweep",
            where="id",
            got=f"{record.short_id}, a {record.kind.value}",
            allowed="sweep",
            next_step="see whichcore records list --kind sweep",
        )
    place = Path(f"record {record.short_id}{record.payload_name}")
    text = decode(store.payload(record.id), place)
    if record.payload_name == ".s1p":
        return record, touchstone_of(text, place)
    return record, sweep_of(parse_table(text, place))


def compare_sweeps(store: Store, first: str, second: str) -> Comparison:
    """Compare two kept sweeps at their common frequencies.

    Raises
    ------
    RecordError
        One of them is not there, or no sweep.
    AnalysisError
        They have no frequency in common.
    """
    (one, z1), (other, z2) = kept_sweep(store, first), kept_sweep(store, second)
    return Comparison(one, other, z1, z2, sweep_difference(z1, z2))
