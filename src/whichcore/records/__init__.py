"""Everything that was measured, kept: only ever added to, searched, compared, carried elsewhere.

A record is the file it came from, byte for byte, with its checksum, and a few columns to search by. Nothing
is changed or removed: a correction is a new record that points back at the one it corrects. SQLite in the
user's data folder by default; PostgreSQL where two benches share one store.
"""

from whichcore.records.address import store_address
from whichcore.records.compare import Comparison, compare_sweeps
from whichcore.records.exchange import export_records, import_records
from whichcore.records.keep import (
    begin_sweep,
    finish_sweep,
    keep_calibration,
    keep_capture,
    keep_case,
    keep_core,
    keep_sweep,
    keep_verdict,
    keep_verification,
    unfinished_sweeps,
)
from whichcore.records.rows import Kind, NewRecord, Question, Record
from whichcore.records.store import Store, open_store

__all__ = [
    "Comparison",
    "Kind",
    "NewRecord",
    "Question",
    "Record",
    "Store",
    "begin_sweep",
    "compare_sweeps",
    "export_records",
    "finish_sweep",
    "import_records",
    "keep_calibration",
    "keep_capture",
    "keep_case",
    "keep_core",
    "keep_sweep",
    "keep_verdict",
    "keep_verification",
    "open_store",
    "store_address",
    "unfinished_sweeps",
]
