"""``whichcore library``: the group of commands on reference materials."""

from __future__ import annotations

from whichcore.cli.lazy import LazyGroup
from whichcore.cli.options import reporting

COMMANDS = {
    "list": ("whichcore.cli.library_list", "List the reference materials."),
    "show": ("whichcore.cli.library_show", "Show everything known of one material."),
    "check": ("whichcore.cli.library_check", "Check libraries and say what could not be used, and why."),
    "add": ("whichcore.cli.library_add", "Make the sweep of a known core a reference of your own."),
    "import": ("whichcore.cli.library_import", "Bring in a table from a data sheet as a reference."),
    "merge": ("whichcore.cli.library_merge", "Join two references of one grade."),
    "export": ("whichcore.cli.library_export", "Write one material into a folder."),
    "coverage": ("whichcore.cli.library_coverage", "Show what the references cover, and the holes."),
    "separable": ("whichcore.cli.library_separable", "Say which materials a bench could not tell apart."),
    "screening": ("whichcore.cli.library_screening", "Say which curves of the open collection were refused."),
}

command = LazyGroup(
    name="library",
    entries=COMMANDS,
    help="""See, check and extend the reference materials.

    A library is a folder with one TOML file and one CSV curve for each material. Three have names: shipped
    comes with the program, user is your own, open is the open collection, an optional part of the
    installation.""",
)
reporting(command)
