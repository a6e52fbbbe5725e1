"""What the commands at the bench share for ``--multitone``: options, the tones, and what is said of them."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeVar

import click
from click.core import ParameterSource

from whichcore.bench import BenchSettings, OpenBench
from whichcore.cli.at_bench import hertz
from whichcore.errors import UsageError
from whichcore.files import Dimension, parse_quantity
from whichcore.measure import StoredCalibration
from whichcore.rig.events import TonesPlayed
from whichcore.rig.multitone.rule import (
    USUAL_TAKE_S,
    Tilt,
    ToneRule,
    grid_fits,
    samples_of,
    take_device,
    tone_grid,
)
from whichcore.wording import quantity

F = TypeVar("F", bound=Callable[..., Any])

USUAL_PER_DECADE = 12
USUAL_HIGHEST_SHARE = 0.42  # of the sample rate, where nothing else is asked for
CERTAIN = 3.0  # standard uncertainties, from which on distortion is said to be seen
WORTH_A_WORD = 1e-3  # of the tones, as voltages

multitone_option = click.option(
    "--multitone",
    is_flag=True,
    help="All frequencies at once, on a sound card: a take of two seconds holds the whole sweep.",
)
take_option = click.option(
    "--take",
    "take_text",
    metavar="TEXT",
    help='With --multitone: length of one take, such as "4 s"; the noise falls with its root. Without it '
    "that of the calibration, else 2 s.",
)
tilt_option = click.option(
    "--tilt",
    type=click.Choice([str(item) for item in Tilt]),
    default=str(Tilt.MATCHED),
    show_default=True,
    help="With --multitone, what is equal for all tones: the voltage of the source (even), the flux density "
    "in the core (flux), or the smaller of the two voltages read (matched).",
)


def tone_options(function: F) -> F:
    """Add ``--multitone`` and ``--take``."""
    return multitone_option(take_option(function))


def calibration_tones(
    settings: BenchSettings, opened: OpenBench, asked: dict[str, Any]
) -> tuple[tuple[float, ...], ToneRule] | None:
    """Return frequencies and rule of a calibration; None without ``--multitone``.

    The highest frequency that nobody asked for is brought within the sample rate.

    Raises
    ------
    InputError, UsageError
        The bench plays one tone at a time, or the tones do not fit its rate or the take.
    """
    take_s = _take_s(asked)
    if not asked["multitone"]:
        return None
    device = take_device(opened.bench)
    low, high = hertz(asked["from_text"], "--from") or 0.0, hertz(asked["to_text"], "--to") or 0.0
    if click.get_current_context().get_parameter_source("to_text") is ParameterSource.DEFAULT:
        high = min(high, USUAL_HIGHEST_SHARE * device.rate_hz)
    take_s = USUAL_TAKE_S if take_s is None else take_s
    grid = tone_grid(device, take_s, (low, high), asked["points_per_decade"], settings.mains_hz)
    return grid, ToneRule(samples_of(device.rate_hz, take_s), Tilt.EVEN)


def sweep_tones(
    settings: BenchSettings, opened: OpenBench, stored: StoredCalibration, asked: dict[str, Any]
) -> tuple[tuple[float, ...], ToneRule] | None:
    """Return frequencies and rule of a sweep; None without ``--multitone``.

    They are those of the calibration where they fit the take; else tones within its band, between whose
    frequencies it is read.
    """
    take_s = _take_s(asked)
    if not asked["multitone"]:
        return None
    device = take_device(opened.bench)
    tilt = Tilt(asked.get("tilt", Tilt.EVEN))
    if take_s is None:
        own = stored.header.get("samples_of_a_take")
        take_s = USUAL_TAKE_S if own is None else own / device.rate_hz
    rule = ToneRule(samples_of(device.rate_hz, take_s), tilt)
    low, high = hertz(asked["from_text"], "--from"), hertz(asked["to_text"], "--to")
    per_decade = asked["points_per_decade"]
    grid = stored.grid(low, high, per_decade)
    if grid_fits(device, rule, grid):
        return grid, rule
    band = (grid[0], grid[-1])
    return tone_grid(device, take_s, band, per_decade or USUAL_PER_DECADE, settings.mains_hz), rule


def _take_s(asked: dict[str, Any]) -> float | None:
    if asked["take_text"] is None:
        return None
    if not asked["multitone"]:
        raise UsageError(
            "a take holds many tones",
            where="--take",
            got=asked["take_text"],
            next_step="add --multitone",
        )
    return parse_quantity(asked["take_text"], Dimension.TIME, where="--take")


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
            said.append(f"of {name} order {100 * power**0.5:.2g} %")
            loud = loud or power**0.5 > WORTH_A_WORD
        else:
            said.append(f"of {name} order none seen above {100 * (max(power, 0) + CERTAIN * u) ** 0.5:.2g} %")
    end = "; the core or an input is driven into its bend: lower the level" if loud else ""
    return f"Distortion beside the tones, {' and '.join(said)} of their voltage{end}."
