"""Make docs/examples/report.pdf: the report of one core of the demonstration.

Run ``python docs/make_example_report.py`` after a change of the identification or of reports; a test compares
the words.
"""

from __future__ import annotations

import warnings
from datetime import UTC, datetime
from pathlib import Path

from whichcore.errors import WhichcoreWarning
from whichcore.files.text import write_bytes
from whichcore.libraries import library_for
from whichcore.report import dossier_of_files, report_of, written
from whichcore.workflow import demo_bins, demo_library

PLACE = Path(__file__).resolve().parent / "examples" / "report.pdf"
BIN = "b"
#: A date of its own, so that the same report has the same bytes.
WHEN = datetime(2026, 1, 5, 10, 0, tzinfo=UTC)


def report() -> bytes:
    """Return the report as a PDF."""
    request = next(one.request for one in demo_bins() if one.id == BIN)
    with warnings.catch_warnings():
        # they stand in the report
        warnings.simplefilter("ignore", WhichcoreWarning)
        library = library_for([str(demo_library()), "shipped"])
        dossier = dossier_of_files(request, library, judged_at=WHEN)
    return written(report_of(dossier), "pdf")


if __name__ == "__main__":
    write_bytes(PLACE, report())
