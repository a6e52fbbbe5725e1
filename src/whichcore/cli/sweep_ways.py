"""How a sweep is gone about: the order of its points, levels that lead to zero field, demagnetising first."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from whichcore.cli.many_tones import option_of
from whichcore.errors import UsageError
from whichcore.measure.sweep_ways import SweepWays
from whichcore.rig.sweep.plan import PointOrder

F = TypeVar("F", bound=Callable[..., Any])
LEVELS = ("2", "3")


def way_options(function: F) -> F:
    """Add ``--order``, ``--zero-field``, ``--demagnetise`` and ``--rest``."""
    for option in (
        click.option(
            "--rest",
            metavar="TEXT",
            help='Wait after demagnetising, "1 min" unless told otherwise: the permeability falls at first '
            "quickly, then by as much in each tenfold of the time.",
        ),
        click.option(
            "--demagnetise",
            metavar="TEXT",
            help="Before the first point, take the core's remanence away by a fading drive at 130 Hz. The "
            'text is its coercive field, such as "15 A/m", or its class, such as MnZn. It takes a field of '
            "five times as much; where the bench cannot make that it says so and stops.",
        ),
        click.option(
            "--zero-field",
            type=click.Choice(LEVELS),
            help="Where a point cannot be read at the flux density, or no better than to 2 %, measure it at "
            "so many larger ones, up to 5 mT and down to a fifth of that, and extrapolate to zero field.",
        ),
        click.option(
            "--order",
            type=click.Choice([order.value for order in PointOrder]),
            default=PointOrder.RISING.value,
            show_default=True,
            help="Order of the points. Interleaved goes up by every second point and comes back by the "
            "others, so that a core that drifts does not look like one that disperses.",
        ),
    ):
        function = option(function)
    return function


def ways(asked: dict[str, Any]) -> SweepWays:
    """Return how the options want a sweep to be gone about.

    Raises
    ------
    UsageError
        Levels beside a fixed drive.
    """
    if asked["zero_field"] is not None and asked["drive"] is not None:
        raise UsageError(
            "a fixed drive has no flux density to go down from", where="--zero-field, --drive", got="both"
        )
    return SweepWays(
        option_of,
        order=asked["order"],
        zero_field=None if asked["zero_field"] is None else int(asked["zero_field"]),
        demagnetise=asked["demagnetise"],
        rest=asked["rest"],
        tones=asked["multitone"],
        take=asked["take_text"],
        tilt=asked["tilt"],
    )
