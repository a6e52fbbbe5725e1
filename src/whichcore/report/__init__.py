"""The report of one core: a page of one file, or a PDF, from its files or from a kept verdict.

A dossier holds what is known, a report what is said of it; two writers set the same report in type.
"""

from whichcore.report.assemble import report_of
from whichcore.report.document import Report
from whichcore.report.dossier import Dossier
from whichcore.report.from_files import dossier_of_files
from whichcore.report.write import FORMS, written

__all__ = ["FORMS", "Dossier", "Report", "dossier_of_files", "report_of", "written"]
