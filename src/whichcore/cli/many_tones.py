"""What the commands at the bench share for ``--multitone``: options, the tones, and what is said of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click
from click.core import ParameterSource

from whichcore.bench import BenchSettings, OpenBench
from whichcore.cli.at_bench import hertz
from whichcore.measure import StoredCalibration
from whichcore.measure.sweep_ways import SweepWays
from whichcore.rig.multitone.rule import (
    USUAL_TAKE_S,
    Tilt,
    ToneRule,
    samples_of,
    take_device,
    tone_grid,
)

F = TypeVar("F", bound=Callable[..., Any])

USUAL_HIGHEST_SHARE = 0.42  # of the sample rate, where nothing else is asked for

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
    take_s = SweepWays(option_of, tones=asked["multitone"], take=asked["take_text"]).take_s()
    if not asked["multitone"]:
        return None
    device = take_device(opened.bench)
    low, high = hertz(asked["from_text"], "--from") or 0.0, hertz(asked["to_text"], "--to") or 0.0
    if click.get_current_context().get_parameter_source("to_text") is ParameterSource.DEFAULT:
        high = min(high, USUAL_HIGHEST_SHARE * device.rate_hz)
    take_s = USUAL_TAKE_S if take_s is None else take_s
    grid = tone_grid(device, take_s, (low, high), asked["points_per_decade"], settings.mains_hz)
    return grid, ToneRule(samples_of(device.rate_hz, take_s), Tilt.EVEN)


def option_of(name: str) -> str:
    """Return the option that a way of sweeping is asked for by."""
    return f"--{ {'tones': 'multitone'}.get(name, name).replace('_', '-') }"


def sweep_tones(
    settings: BenchSettings, opened: OpenBench, stored: StoredCalibration, asked: dict[str, Any]
) -> tuple[tuple[float, ...], ToneRule] | None:
    """Return frequencies and rule of a sweep; None without ``--multitone``.

    Raises
    ------
    InputError, UsageError
        As :meth:`~whichcore.measure.sweep_ways.SweepWays.played`.
    """
    how = SweepWays(
        option_of,
        tones=asked["multitone"],
        take=asked["take_text"],
        tilt=asked.get("tilt", Tilt.EVEN.value),
    )
    band = (hertz(asked["from_text"], "--from"), hertz(asked["to_text"], "--to"))
    return how.played(settings, opened.bench, stored, band, asked["points_per_decade"])
