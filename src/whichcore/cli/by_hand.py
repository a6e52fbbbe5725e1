"""``whichcore by-hand``: the group of commands for what is read off a screen or a meter."""

from __future__ import annotations

from whichcore.cli.lazy import LazyGroup
from whichcore.cli.options import reporting

COMMANDS = {
    "ask": ("whichcore.cli.by_hand_ask", "Ask for readings one by one and keep them in a sheet."),
    "sweep": ("whichcore.cli.by_hand_sweep", "Turn a sheet of screen readings into a sweep."),
    "meter": ("whichcore.cli.by_hand_meter", "Give meter readings the uncertainty of the meter."),
}

command = LazyGroup(
    name="by-hand",
    entries=COMMANDS,
    help="""Measure with a scope whose screen is all there is, or with a meter.

    Two heights and a shift read at each frequency make a sweep; a meter makes readings for identify. See
    docs/how-to/measure-by-hand.md.""",
)
reporting(command)
