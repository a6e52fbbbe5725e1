"""A report as the bytes of a file."""

from __future__ import annotations

from collections.abc import Callable

from whichcore.errors import UsageError
from whichcore.report.document import Report


def _html(report: Report) -> bytes:
    from whichcore.report.as_html import html  # noqa: PLC0415 - only what is asked for is loaded

    return html(report)


def _pdf(report: Report) -> bytes:
    from whichcore.report.as_pdf import pdf  # noqa: PLC0415

    return pdf(report)


FORMS: dict[str, Callable[[Report], bytes]] = {"html": _html, "pdf": _pdf}


def written(report: Report, form: str) -> bytes:
    """Return a report as ``html`` or ``pdf``; equal reports give equal bytes.

    Raises
    ------
    UsageError
        Another form.
    """
    if form not in FORMS:
        raise UsageError(
            "a report cannot be written in this form", where="report", got=form, allowed=", ".join(FORMS)
        )
    return FORMS[form](report)
