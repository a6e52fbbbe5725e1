"""The planner's advice for a core as it is typed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from whichcore.analysis.plan import plan_measurement
from whichcore.analysis.plan_remark import Remark
from whichcore.bench import load_bench
from whichcore.files.specimen_file import specimen_from_text
from whichcore.measure.bench_accuracy import bench_accuracy
from whichcore.measure.plan_bench import plan_bench
from whichcore.wording import quantity


def advise(specimen: str, bench: str, expected: float | None = None) -> dict[str, Any]:
    """Return turns, wiring and expected accuracy of each band, and what cannot be measured."""
    settings = load_bench("virtual" if bench == "virtual" else None)
    known = plan_bench(settings)
    plan = plan_measurement(
        specimen_from_text(specimen, Path("specimen")), known, expected, bench_accuracy(settings, known, ())
    )
    return {
        "turns": list(plan.turns),
        "own_turns_serve": plan.own_turns_serve,
        "permeability": list(plan.initial_permeability),
        "remarks": [_remark(remark) for remark in plan.remarks],
        "bands": [
            {
                "from_hz": band.from_hz,
                "to_hz": band.to_hz,
                "turns": band.turns,
                "wiring": band.wiring.value,
                "flux_density": quantity(band.flux_density_t, "T"),
                "wire": None if band.wire_diameter_m is None else quantity(band.wire_diameter_m, "m"),
                "u_real": None
                if band.expected is None
                else max(point.u_real for point in band.expected.points),
                "remarks": [_remark(remark) for remark in band.remarks],
            }
            for band in plan.bands
        ],
    }


def _remark(remark: Remark) -> dict[str, Any]:
    return {"text": remark.text, "source": remark.source, "cannot": remark.cannot}
