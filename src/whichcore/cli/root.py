"""The list of all commands."""

from __future__ import annotations

import click

from whichcore.cli.lazy import RootGroup
from whichcore.cli.options import reporting

COMMANDS = {
    "demo": ("whichcore.cli.demo", "Name the cores of an invented workshop, with pictures."),
    "doctor": ("whichcore.cli.doctor", "Check a bench from the cable to the wiring."),
    "calibrate": ("whichcore.cli.calibrate", "Calibrate a bench with its standards."),
    "verify": ("whichcore.cli.verify", "Check a calibration with known parts."),
    "sweep": ("whichcore.cli.sweep", "Measure the impedance of a wound core over frequency."),
    "from-files": ("whichcore.cli.from_files", "Turn waveform files of a scope or recorder into a sweep."),
    "by-hand": ("whichcore.cli.by_hand", "Turn what is read off a screen or meter into a sweep."),
    "identify": ("whichcore.cli.identify", "Say which material a wound core is most likely made of."),
    "budget": ("whichcore.cli.budget", "Show where an uncertainty comes from, and what would shrink it."),
    "fit": ("whichcore.cli.fit", "Fit laws of dispersion to a core, with uncertainties."),
    "library": ("whichcore.cli.library", "See, check and extend the reference materials."),
    "serve": ("whichcore.cli.serve", "Open the bench page: the whole job in a browser."),
    "records": ("whichcore.cli.records", "Keep, search, compare and carry what was measured."),
    "report": ("whichcore.cli.report", "Write the report of a core, to read or to print."),
    "join": ("whichcore.cli.join", "Join the sweeps of two windings of one core."),
    "resonance": ("whichcore.cli.resonance", "Find the loss of a low-loss core with a known capacitor."),
    "plan": ("whichcore.cli.plan", "Plan a measurement: wiring, turns, level, and what cannot be had."),
}

root = RootGroup(
    name="whichcore",
    entries=COMMANDS,
    help="""Name unmarked magnetic cores from an impedance sweep, with an honest uncertainty.

    Exit codes: 0 done, whatever the verdict; 2 called wrongly; 3 a file or value is wrong; 4 instrument;
    5 calibration refused; 6 records; 70 a fault of the program; 130 stopped.""",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
click.version_option(package_name="whichcore", message="%(prog)s %(version)s", help="Print the version.")(
    root
)
reporting(root)
