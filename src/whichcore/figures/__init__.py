"""Figures of a measurement and its verdict: readable in colour, in grey and by colour-blind eyes.

Only this package imports matplotlib; import it when a picture is asked for. Figures are plain ``Figure``
objects, so nothing is kept in a global state. Colours are those of Okabe & Ito, "Color Universal Design"
(2008) [published]; every colour has a line style, a marker or a hatch of its own beside it.
"""

from whichcore.figures.budget import bars_figure, shares_figure
from whichcore.figures.candidates import candidates_figure
from whichcore.figures.coverage import coverage_figure
from whichcore.figures.curves import impedance_figure, material_figure, permeability_figure
from whichcore.figures.decision import decision_figure, gap_invariant_figure
from whichcore.figures.fit import fit_figure
from whichcore.figures.fonts import font_files
from whichcore.figures.record import record_figure
from whichcore.figures.save import FORMATS, rendered, save

__all__ = [
    "FORMATS",
    "bars_figure",
    "candidates_figure",
    "coverage_figure",
    "decision_figure",
    "fit_figure",
    "font_files",
    "gap_invariant_figure",
    "impedance_figure",
    "material_figure",
    "permeability_figure",
    "record_figure",
    "rendered",
    "save",
    "shares_figure",
]
