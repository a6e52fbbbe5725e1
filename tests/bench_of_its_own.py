"""A virtual bench in a process of its own, described by a bench file: what a person at a terminal has."""

from whichcore.rig.virtual import VirtualBench

BENCH = """\
wiring = "{wiring}"
settle = "5 ms"
[source]
driver = "scpi-source"
address = "{source}"
[digitizer]
driver = "scpi-digitizer"
address = "{digitizer}"
input_resistance = "1 Mohm"
input_resistance_tolerance = "1 %"
input_capacitance = "70 pF"
input_capacitance_tolerance = "15 pF"
[shunt]
resistance = "10 ohm"
tolerance = "0.2 %"
inductance = "5 nH"
inductance_tolerance = "2 nH"
[standards.open]
capacitance = "1 pF"
tolerance = "0.5 pF"
[standards.short]
inductance = "4 nH"
tolerance = "2 nH"
resistance = "1 mohm"
resistance_tolerance = "1 mohm"
[standards.load]
resistance = "50 ohm"
tolerance = "0.1 %"
inductance = "4 nH"
inductance_tolerance = "2 nH"
capacitance = "0.4 pF"
capacitance_tolerance = "0.2 pF"
[standards.kilohm]
kind = "load"
resistance = "1 kohm"
tolerance = "0.1 %"
inductance = "7 nH"
inductance_tolerance = "3 nH"
capacitance = "0.3 pF"
capacitance_tolerance = "0.15 pF"
[standards.mica]
kind = "capacitor"
capacitance = "1 nF"
tolerance = "1 %"
series_resistance = "20 mohm"
series_resistance_tolerance = "10 mohm"
inductance = "6 nH"
inductance_tolerance = "3 nH"
[standards.resistor]
kind = "load"
resistance = "200 ohm"
tolerance = "0.5 %"
inductance = "6 nH"
inductance_tolerance = "3 nH"
[standards.empty]
kind = "short"
plane = "empty winding"
[limits]
level_vpp = "2 V"
"""
BAND = ("--from", "20k", "--to", "2M", "--points-per-decade", "2")
USUAL = {"mica": "capacitor"}


def write_bench(folder, virtual: VirtualBench, wiring="shunt-at-ground", name="bench.toml", **changed):
    """Write a bench file; ``changed`` are pieces of it with what takes their place."""
    text = BENCH.format(wiring=wiring, source=virtual.source, digitizer=virtual.digitizer)
    for old, new in changed.values():
        assert old in text
        text = text.replace(old, new)
    path = folder / name
    path.write_text(text)
    return path


class Hands:
    """Hands that fit what is asked for, or what they are told to take instead.

    Parameters
    ----------
    virtual : VirtualBench

    Attributes
    ----------
    instead : dict of str to list of str
        Fixtures taken one after the other, for a name; the last one ever again.
    asked : list of str
        Everything asked for.
    """

    def __init__(self, virtual: VirtualBench) -> None:
        self.virtual = virtual
        self.instead: dict[str, list[str]] = {}
        self.asked: list[str] = []

    def fit(self, name):
        self.asked.append(name)
        queue = self.instead.get(name, [USUAL.get(name, name)])
        self.virtual.fit(queue[0])
        if len(queue) > 1:
            del queue[0]
