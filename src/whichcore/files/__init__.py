"""Files the user keeps: specimens, sweeps, materials, tables; and the syntax of values with units.

Everything here turns text into the data types of :mod:`whichcore.analysis` and back, and refuses what is
wrong in one line with place and remedy. Formats are described in ``docs/reference/files.md``.
"""

from whichcore.files.library_folder import (
    home_folder,
    load_library_folder,
    shipped_library,
    user_library_folder,
)
from whichcore.files.material_file import load_curve, load_material, write_material
from whichcore.files.reading import parse_reading, parse_resistance
from whichcore.files.specimen_file import load_specimen
from whichcore.files.sweep_file import load_core_sweep, load_sweep, write_sweep
from whichcore.files.sweep_journal import SweepJournal
from whichcore.files.sweep_layout import SourceColumn, SweepLayout, SweepPoint
from whichcore.files.table_import import ImportedCurve, ImportHints, import_table
from whichcore.files.text import make_folder
from whichcore.files.touchstone import TouchstoneOptions, read_touchstone, write_touchstone
from whichcore.files.units import Dimension, parse_prefixed, parse_quantity

__all__ = [
    "Dimension",
    "ImportHints",
    "ImportedCurve",
    "SourceColumn",
    "SweepJournal",
    "SweepLayout",
    "SweepPoint",
    "TouchstoneOptions",
    "home_folder",
    "import_table",
    "load_core_sweep",
    "load_curve",
    "load_library_folder",
    "load_material",
    "load_specimen",
    "load_sweep",
    "make_folder",
    "parse_prefixed",
    "parse_quantity",
    "parse_reading",
    "parse_resistance",
    "read_touchstone",
    "shipped_library",
    "user_library_folder",
    "write_material",
    "write_sweep",
    "write_touchstone",
]
