"""From a dossier to a report: what is said, in which order."""

from __future__ import annotations

from whichcore.report.answer import (
    candidates_section,
    doubts_section,
    next_section,
    permeability_section,
    verdict_section,
    why_section,
)
from whichcore.report.document import Report, Section
from whichcore.report.dossier import Dossier
from whichcore.report.measured import (
    budget_section,
    calibration_section,
    conditions_section,
    files_section,
    materials_section,
    specimen_section,
)
from whichcore.verdict_words import verdict_sentence

_SECTIONS = (
    verdict_section,
    permeability_section,
    candidates_section,
    why_section,
    doubts_section,
    next_section,
    budget_section,
    conditions_section,
    calibration_section,
    specimen_section,
    materials_section,
    files_section,
)


def report_of(dossier: Dossier) -> Report:
    """Return the report of a core; what is not known is said to be so."""
    sections: tuple[Section, ...] = tuple(section(dossier) for section in _SECTIONS)
    when = dossier.judged_at[:16].replace("T", " ")
    made = f"Judged {when} UTC by whichcore {dossier.program}"
    if dossier.record:
        made += f"; kept as record {dossier.record[:8]}, printed as it was given"
    answer = verdict_sentence(dossier.verdict, dossier.names)
    return Report(
        title=dossier.name,
        answer=answer[:1].upper() + answer[1:],
        made=f"{made}.",
        judged_at=dossier.judged_at,
        warnings=dossier.warnings,
        sections=sections,
    )
