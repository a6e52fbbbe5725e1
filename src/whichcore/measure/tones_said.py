"""What is said of a sweep that was played with all its tones at once."""

from __future__ import annotations

import math
from typing import Any

from whichcore.rig.events import TakeDone, TonesPlayed
from whichcore.wording import in_percent, quantity

CERTAIN = 3.0  # standard uncertainties, from which on distortion is said to be seen
WORTH_A_WORD = 1e-3  # of the tones, as voltages


def take_line(take: TakeDone) -> str:
    """Return what is known after a take, in one line."""
    line = f"take {take.takes} of {take.wanted}"
    if not take.points:
        return line
    line += f": {take.good} of {len(take.points)} points good enough"
    worst = take.least_sure
    if worst is None:
        return line
    return f"{line}, {in_percent(worst.relative_uncertainty)} open at {quantity(worst.frequency_hz, 'Hz')}"


def tones_report(played: TonesPlayed | None) -> dict[str, Any] | None:
    """Return what was played, for JSON."""
    if played is None:
        return None
    return {
        "tones": played.tones,
        "takes": played.takes,
        "take_s": played.take_s,
        "level_vpp": played.level_vpp,
        "crest_factor": played.crest,
        "limited_by": played.limited_by,
        "products_on_tones": {
            "second_order": played.products.second,
            "third_order": played.products.third,
            "folded": played.products.folded,
        },
        "flux_density_t": None if played.flux_density_t is None else list(played.flux_density_t),
        "flux_density_all_t": played.total_flux_density_t,
        "flux_density_rms_t": played.rms_flux_density_t,
        "level_of_single": played.share_of_single,
        "noise_of_single": played.noise_against_single,
        "distortion_even": _seen(played.even, played.u_even),
        "distortion_odd": _seen(played.odd, played.u_odd),
    }


def _seen(power: float, u: float) -> dict[str, float] | None:
    """Return the power of distortion with its uncertainty; None where no bins were free to tell."""
    return {"power": power, "standard_uncertainty": u} if math.isfinite(u) else None


def tones_text(report: dict[str, Any] | None) -> tuple[str, ...]:
    """Return what was played, in a few lines."""
    if report is None:
        return ()
    takes = "one take" if report["takes"] == 1 else f"{report['takes']} takes"
    lines = [
        f"{report['tones']} tones at once, {takes} of {quantity(report['take_s'], 's')}, crest factor "
        f"{report['crest_factor']:.2f}, {quantity(report['level_vpp'], 'V')} peak to peak; the limit is "
        f"{report['limited_by']}.",
        _products_line(report["products_on_tones"]),
    ]
    if report["flux_density_t"]:
        flux = report["flux_density_t"]
        lines.append(
            f"Peak flux density {quantity(min(flux), 'T')} to {quantity(max(flux), 'T')} for each tone, "
            f"{quantity(report['flux_density_all_t'], 'T')} if all peak at once, "
            f"{quantity(report['flux_density_rms_t'], 'T')} rms."
        )
    lines.append(
        f"Each tone has 1/{1 / report['level_of_single']:.3g} of the level it could have alone: "
        f"{report['noise_of_single']:.2g} times the noise of one tone after the other in the same time."
    )
    return (*lines, _distortion_line(report))


def _products_line(products: dict[str, int]) -> str:
    on_tones = products["second_order"] + products["third_order"]
    if on_tones == products["folded"] == 0:
        return "No product of two or three tones falls on a tone."
    return (
        f"{on_tones} products of two or three tones fall on tones, {products['folded']} more from above half "
        "the sample rate: a longer take or fewer tones leave none."
    )


def _distortion_line(report: dict[str, Any]) -> str:
    said, loud = [], False
    for name in ("even", "odd"):
        found = report[f"distortion_{name}"]
        if found is None:
            said.append(f"of {name} order unknown for want of free bins")
            continue
        power, u = found["power"], found["standard_uncertainty"]
        if power > CERTAIN * u:
            said.append(f"of {name} order {in_percent(power**0.5)}")
            loud = loud or power**0.5 > WORTH_A_WORD
        else:
            said.append(f"of {name} order none seen above {in_percent((max(power, 0) + CERTAIN * u) ** 0.5)}")
    end = "; the core or an input is driven into its bend: lower the level" if loud else ""
    return f"Distortion beside the tones, {' and '.join(said)} of their voltage{end}."
