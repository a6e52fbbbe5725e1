"""The virtual bench: source, digitizer, wiring, standards and cores, in a process of its own.

`VirtualBench` starts and works it. `Setup`, `operate`, `node_voltages`, `impedance_of` and
`capture_in_process` evaluate the same circuits in this process. Nothing here uses the formulas that judge a
measurement; only the shared data types are taken from the analysis.
"""

from whichcore.rig.virtual.cores import Condition, core, cores
from whichcore.rig.virtual.fixtures import WoundCore, fixture, impedance_of
from whichcore.rig.virtual.process import Fronts, VirtualBench
from whichcore.rig.virtual.record import Drive, Sampling, capture_in_process, channel_settings
from whichcore.rig.virtual.setup import Setup, node_voltages, operate

__all__ = [
    "Condition",
    "Drive",
    "Fronts",
    "Sampling",
    "Setup",
    "VirtualBench",
    "WoundCore",
    "capture_in_process",
    "channel_settings",
    "core",
    "cores",
    "fixture",
    "impedance_of",
    "node_voltages",
    "operate",
]
