"""``whichcore records``: the group of commands on what was measured and kept."""

from __future__ import annotations

from whichcore.cli.lazy import LazyGroup
from whichcore.cli.options import reporting

COMMANDS = {
    "list": ("whichcore.cli.records_list", "Search the records."),
    "show": ("whichcore.cli.records_show", "Show one record and what belongs to it."),
    "keep": ("whichcore.cli.records_keep", "Keep a core with its sweep and verdict."),
    "tag": ("whichcore.cli.records_tag", "Put a tag on a record, or take it off."),
    "compare": ("whichcore.cli.records_compare", "Compare two kept sweeps."),
    "export": ("whichcore.cli.records_export", "Write records into a folder, to hand on."),
    "import": ("whichcore.cli.records_import", "Take in records from such a folder."),
    "check": ("whichcore.cli.records_check", "Check that every record is as it was kept."),
}

command = LazyGroup(
    name="records",
    entries=COMMANDS,
    help="""Keep, search, compare and carry what was measured.

    A record is never changed or removed: a correction is a new record that points back. The store is a file
    in your data folder; --records or WHICHCORE_RECORDS names another one, or a PostgreSQL database that two
    benches share.""",
)
reporting(command)
