"""Write the tables of first-hour.md: what the instruments should show on a rig built from these notes.

The numbers come from the functions by which the program itself expects and plans. Run
``python hardware-notes/make_first_hour.py`` after a change of these or of the proposed
parts; a test compares.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from arithmetic import angular, behind_pi, nodes_vpk, parallel_ohm
from example import (
    CARD_OHM,
    HIGHEST_VPP,
    LEAK_OHM,
    LOWEST_VPP,
    OUTPUT_OHM,
    PADS,
    RING,
    SHUNTS_OHM,
    generator_bench,
    inductance_h,
    point,
    sound_bench,
)

from whichcore.analysis.plan_band import LOWEST_SETTINGS, PADS_DB
from whichcore.analysis.plan_point import INITIAL_FLUX_T, PlanBench, ferrite_permeability
from whichcore.analysis.types import Wiring
from whichcore.rig.doctor import NEAR, DoctorPlan, expected_vpk
from whichcore.wording import quantity

PAGE = Path(__file__).resolve().parent / "first-hour.md"
LEVEL_VPP = DoctorPlan().level_vpp
PERMEABILITIES = (100.0, 800.0, 2300.0, 10_000.0)
FREQUENCIES_HZ, CARD_FREQUENCIES_HZ = (1e3, 1e5, 3e6), (1e3, 3e4)
LOAD_OHM = 50.0
Rows = Iterable[Sequence[str]]


def table(heads: Sequence[str], rows: Rows) -> str:
    """Return a table as Markdown."""
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def ohmmeter() -> str:
    """Return what an ohmmeter reads, shunt at ground, the generator's cable off."""
    shunt = 10.0
    rows = [
        ("A to ground, short", quantity(shunt, "Ω")),
        ("A to ground, load", quantity(LOAD_OHM + shunt, "Ω")),
        ("A to B, load", quantity(LOAD_OHM, "Ω")),
        ("A to ground, open, scope off", "over range"),
    ]
    for db, (series, side) in PADS.items():
        rows += [
            (f"pad {db} dB alone, either side to ground", quantity(parallel_ohm(side, series + side), "Ω")),
            (f"pad {db} dB, one side, the other shorted", quantity(parallel_ohm(side, series), "Ω")),
        ]
    return table(("between", "reads"), rows)


def voltages() -> str:
    """Return the peak voltages of short and open, as ``doctor`` expects them, in both one-winding wirings."""
    rows = []
    for wiring in (Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND):
        for shunt in SHUNTS_OHM:
            bench = cast("Any", _bench(wiring, shunt))
            found = [expected_vpk(bench, fixture, LEVEL_VPP) for fixture in ("short", "open")]
            pairs = [[quantity(float(v), "V") for v in pair] for pair in found if pair is not None]
            rows.append((f"`{wiring.value}`", quantity(shunt, "Ω"), *pairs[0], *pairs[1]))
    return table(("wiring", "shunt", "short: A", "short: B", "open: A", "open: B"), rows)


def _bench(wiring: Wiring, shunt_ohm: float) -> SimpleNamespace:
    """Return what the check needs to know of a bench."""
    source = SimpleNamespace(output_ohm=OUTPUT_OHM)
    return SimpleNamespace(wiring=wiring, shunt_ohm=shunt_ohm, source=source)


def padded() -> str:
    """Return the peak voltages behind each pad, shunt of 10 Ω at ground."""
    rows = []
    for db in PADS_DB:
        share, output = behind_pi(*PADS[db], OUTPUT_OHM) if db else (1.0, OUTPUT_OHM)
        emf = LEVEL_VPP / 2 * share
        short = nodes_vpk(emf, output, 10.0, 0.0, shunt_at_ground=True)
        load = nodes_vpk(emf, output, 10.0, LOAD_OHM, shunt_at_ground=True)
        cells = (emf, short[1], load[0], load[1])
        rows.append((f"{db} dB" if db else "none", *(quantity(v, "V") for v in cells)))
    return table(("pad", "open: A", "short: A and B", "load: A", "load: B"), rows)


def second() -> str:
    """Return the peak voltages with two windings of ten turns, shunt of 10 Ω, as the check drives."""
    hertz = DoctorPlan().frequency_hz
    rows = []
    for permeability in PERMEABILITIES:
        ideal = 1j * angular(hertz) * inductance_h(RING.winding.turns, 1.0)
        transfer = ideal * ferrite_permeability(permeability, hertz)
        first = point(generator_bench(), hertz, permeability).impedance_ohm
        current = LEVEL_VPP / 2 / (OUTPUT_OHM + 10.0 + first)
        cells = (quantity(abs(current * part), "V") for part in (transfer, 10.0))
        rows.append((f"{permeability:g}", *cells))
    return table(("μi", "A, second winding", "B, shunt"), rows)


def levels(bench: PlanBench, frequencies_hz: Sequence[float]) -> str:
    """Return what the ring needs for the flux density of initial permeability, and what is then read."""
    rows = []
    for permeability in PERMEABILITIES:
        for hertz in frequencies_hz:
            item = point(bench, hertz, permeability)
            emf = item.emf_vpp / 2
            nodes = nodes_vpk(
                emf, bench.output_ohm, bench.shunt_ohm, item.impedance_ohm, shunt_at_ground=True
            )
            pad_db = pad_for(item.emf_vpp, bench.level_vpp[0])
            rows.append(
                (
                    f"{permeability:g}",
                    quantity(hertz, "Hz"),
                    quantity(abs(item.impedance_ohm), "Ω"),
                    quantity(item.emf_vpp, "V"),
                    f"{pad_db} dB" if pad_db else "none",
                    quantity(nodes[0], "V"),
                    quantity(nodes[1], "V"),
                    quantity(INITIAL_FLUX_T * LEVEL_VPP / item.emf_vpp, "T"),
                )
            )
    heads = ("μi", "frequency", "\\|Z\\|", "level, p-p open", "pad", "A, peak", "B, peak", "B at 1 V p-p")
    return table(heads, rows)


def pad_for(level_vpp: float, lowest_vpp: float) -> int:
    """Return the smallest pad by the planner's rule: the source is set to ten times its lowest or more."""
    fitting = (db for db in PADS_DB if level_vpp * 10 ** (db / 20) >= LOWEST_SETTINGS * lowest_vpp)
    return next(fitting, PADS_DB[-1])


def facts() -> str:
    """Return the settings that the tables were worked out for."""
    loaded = 1 / (1 / 100.0 + 1 / CARD_OHM)
    return "\n".join(
        (
            f"- generator: {quantity(OUTPUT_OHM, 'Ω')} inside, {quantity(LOWEST_VPP, 'V')} to "
            f"{quantity(HIGHEST_VPP, 'V')} peak to peak with the output open; the check drives "
            f"{quantity(LEVEL_VPP, 'V')} peak to peak at "
            f"{quantity(DoctorPlan().frequency_hz, 'Hz')} and allows {100 * NEAR:g} %",
            f"- ring: {RING.name}, {RING.winding.turns} turns of 0.4 mm wire, leads 100 mm together",
            f"- level wanted: {1e3 * INITIAL_FLUX_T:g} mT peak at the inner edge",
            f"- sound card: 50 Ω behind the drive buffer, {quantity(sound_bench().level_vpp[1], 'V')} "
            "peak to "
            f"peak; its bare inputs of {quantity(CARD_OHM, 'Ω')} (practice) would make {loaded:.4g} Ω of a "
            f"shunt of 100 Ω, the buffers' {quantity(LEAK_OHM, 'Ω')} leave "
            f"{parallel_ohm(100.0, LEAK_OHM):.5g} Ω",
        )
    )


def tables() -> dict[str, str]:
    """Return every table by its name."""
    return {
        "facts": facts(),
        "ohmmeter": ohmmeter(),
        "voltages": voltages(),
        "second": second(),
        "padded": padded(),
        "levels": levels(generator_bench(), FREQUENCIES_HZ),
        "sound": levels(sound_bench(), CARD_FREQUENCIES_HZ),
    }


def filled(page: str) -> str:
    """Return the page with every table put between its marks."""
    for name, text in tables().items():
        begin, end = f"<!-- table: {name} -->", "<!-- end of table -->"
        pattern = f"{re.escape(begin)}.*?{re.escape(end)}"
        block = f"{begin}\n\n{text}\n\n{end}".replace("\\", r"\\")
        page, count = re.subn(pattern, block, page, flags=re.DOTALL)
        if count != 1:
            raise SystemExit(f"{PAGE.name} holds {count} places for the table {name}, one is wanted")
    return page


if __name__ == "__main__":
    PAGE.write_text(filled(PAGE.read_text(encoding="utf-8")), encoding="utf-8", newline="\n")
