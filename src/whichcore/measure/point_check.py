"""What is looked at in each finished point of a sweep that a number alone would not tell."""

from __future__ import annotations

from whichcore.analysis.types import Wiring
from whichcore.rig.events import PointDone
from whichcore.rig.instruments import Bench
from whichcore.wording import fixed, in_percent, quantity

WORST_CLOCK = 100e-6  # practice: a crystal is ten times better
WORST_OFFSET_V = (
    10e-3  # of the source, open circuit: some tenths of a millitesla of bias in a ring of high mu
)
ZERO_SHARE = 0.03  # of a range: practice, a digitizer's own zero is off by less


def clock_word(event: PointDone) -> str:
    """Return a word where source and digitizer disagree on the frequency by more than clocks do."""
    off = event.phasors.frequency_hz / event.frequency_hz - 1
    if abs(off) <= WORST_CLOCK:
        return ""
    return (
        f"source and digitizer are {fixed(off * 1e6, 0, signed=True)} ppm apart at "
        f"{event.frequency_hz:g} Hz: one of their clocks is off, and inductance and "
        f"permeability may be by {in_percent(abs(off))}; run whichcore doctor"
    )


def direct_word(event: PointDone, bench: Bench) -> str:
    """Return a word where a direct current flows through the core that the range tells from its own zero.

    It is read as a voltage on the shunt: of channel B, or of A where the specimen is at ground (then with
    what little the winding adds).
    """
    channel = 0 if bench.wiring is Wiring.SPECIMEN_AT_GROUND else 1
    direct_v = abs(float(event.phasors.dc_v[channel]))
    seen_v = WORST_OFFSET_V * bench.shunt_ohm / (bench.shunt_ohm + bench.source.output_ohm)
    if direct_v <= max(seen_v, ZERO_SHARE * _range_v(event.range_label, channel)):
        return ""
    return (
        f"a direct voltage of {quantity(direct_v, 'V', 2)} stands on the shunt at {event.frequency_hz:g} Hz: "
        f"{quantity(direct_v / bench.shunt_ohm, 'A', 2)} bias the core, and it reads lower than it is; null "
        "the offset (source_offset in bench.toml), or put a capacitor in series with the source"
    )


def _range_v(label: str, channel: int) -> float:
    """Return the full scale of a channel by the label of a pair, such as 0.8V/0.08V; else infinite."""
    try:
        return float(label.split("/")[channel].removesuffix("V"))
    except (IndexError, ValueError):
        return float("inf")
