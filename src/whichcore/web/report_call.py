"""The report of a kept verdict, for the page: made by the child process that judges."""

from __future__ import annotations

from whichcore.records import open_store
from whichcore.report import report_of, written
from whichcore.report.from_record import dossier_of_record


def make_report(record: str, form: str) -> dict[str, str]:
    """Return the report of a verdict as ``html`` or ``pdf``: its name, its content as hexadecimal digits.

    Raises
    ------
    RecordError
        There is no such verdict, or it cannot be read.
    UsageError
        Another form.
    """
    with open_store() as store:
        dossier = dossier_of_record(store, record)
    content = written(report_of(dossier), form)
    # letters of any script in a name do not fit the head of an answer
    return {"name": f"report-{dossier.record[:8]}.{form}", "content": content.hex()}
