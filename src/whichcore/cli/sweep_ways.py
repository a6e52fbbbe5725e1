"""How a sweep is gone about: the order of its points, levels that lead to zero field, demagnetising first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

import click

from whichcore.analysis.coercive import highest_coercive_field
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FlagKind
from whichcore.errors import UsageError
from whichcore.files import Dimension, parse_quantity
from whichcore.rig.events import Demagnetised, Event, PointDone, Started
from whichcore.rig.sweep.level import ZeroFieldRule
from whichcore.rig.sweep.plan import DemagnetiseRule, PointOrder
from whichcore.wording import quantity

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


def ways(specimen: Specimen, asked: dict[str, Any]) -> dict[str, Any]:
    """Return what the options add to the request of a sweep.

    Raises
    ------
    UsageError
        A rest without demagnetising, or levels beside a fixed drive.
    InputError
        A field or time that is none, or a class whose coercive field is not known.
    """
    zero_field = None
    if asked["zero_field"] is not None:
        if asked["drive"] is not None:
            raise UsageError(
                "a fixed drive has no flux density to go down from", where="--zero-field, --drive", got="both"
            )
        zero_field = ZeroFieldRule(levels=int(asked["zero_field"]))
    return {
        "order": PointOrder(asked["order"]),
        "zero_field": zero_field,
        "demagnetise": _demagnetise(specimen, asked["demagnetise"], asked["rest"]),
    }


def _demagnetise(specimen: Specimen, text: str | None, rest: str | None) -> DemagnetiseRule | None:
    if text is None:
        if rest is not None:
            raise UsageError(
                "a rest comes after demagnetising", where="--rest", got=rest, next_step="add --demagnetise"
            )
        return None
    if text.strip()[:1].isdigit():
        strength, origin = parse_quantity(text, Dimension.FIELD_STRENGTH, where="--demagnetise"), "stated"
    else:
        strength, origin = highest_coercive_field(text.strip()), f"the most of {text.strip()}"
    more = {} if rest is None else {"rest_s": parse_quantity(rest, Dimension.TIME, where="--rest")}
    return DemagnetiseRule(specimen, strength, origin, **more)


def refuse_beside_tones(asked: dict[str, Any]) -> None:
    """Raise UsageError for what has no meaning where all frequencies are played at once."""
    given = [f"--{key.replace('_', '-')}" for key in ("zero_field", "demagnetise", "rest") if asked[key]]
    if asked["order"] != PointOrder.RISING:
        given.append("--order")
    if given:
        raise UsageError(
            "all tones at once have no order, no levels, and no core demagnetised before them",
            where=", ".join(given),
            next_step="leave it out, or sweep one frequency after the other",
        )


@dataclass(slots=True)
class Heard:
    """What the events of one run add to its result.

    Attributes
    ----------
    points, skipped : int
        Measured in this run, and in an earlier one.
    flags : Counter of str
        Points by what is doubtful in them.
    extrapolated_hz, folded_hz : list of float
    worst : (float, float) or None
        Frequency, and relative uncertainty of chance and converter, of the point known least.
    demagnetised : Demagnetised or None
    """

    points: int = 0
    skipped: int = 0
    flags: Counter[str] = field(default_factory=Counter)
    extrapolated_hz: list[float] = field(default_factory=list)
    folded_hz: list[float] = field(default_factory=list)
    worst: tuple[float, float] | None = None
    demagnetised: Demagnetised | None = None

    def hear(self, event: Event) -> None:
        """Take one event in."""
        if isinstance(event, Demagnetised):
            self.demagnetised = event
        if isinstance(event, Started):
            self.skipped = event.skipped
        if not isinstance(event, PointDone) or event.revisit:
            return
        self.points += 1
        kinds = {flag.kind for flag in event.phasors.flags}
        self.flags.update(kind.value for kind in kinds - {FlagKind.ALIASED})
        if FlagKind.ALIASED in kinds:
            self.folded_hz.append(event.frequency_hz)
        if event.from_flux_t:
            self.extrapolated_hz.append(event.frequency_hz)
        if self.worst is None or event.relative_uncertainty > self.worst[1]:
            self.worst = (event.frequency_hz, event.relative_uncertainty)

    def to_dict(self) -> dict[str, Any]:
        """Return it as the JSON of a sweep has it."""
        done = self.demagnetised
        return {
            "flags": dict(sorted(self.flags.items())),
            "least_sure": None
            if self.worst is None
            else {"frequency_hz": self.worst[0], "relative_uncertainty": self.worst[1]},
            "zero_field_hz": sorted(self.extrapolated_hz),
            "equivalent_time_hz": sorted(self.folded_hz),
            "demagnetised": None
            if done is None
            else {
                "peak_field_a_per_m": done.peak_a_per_m,
                "coercive_field_a_per_m": done.coercive_a_per_m,
                "decay_s": done.decay_s,
                "rest_s": done.rest_s,
            },
        }

    def lines(self) -> tuple[str, ...]:
        """Return it in words."""
        told = []
        if self.demagnetised is not None:
            told.append(f"Demagnetised {self.demagnetised.told()}.")
        if self.worst is not None:
            told.append(
                f"Noise and converter leave {100 * self.worst[1]:.2g} % of |Z| open at most, at "
                f"{quantity(self.worst[0], 'Hz')}."
            )
        if self.extrapolated_hz:
            told.append(
                f"Extrapolated to zero field: {_counted(self.extrapolated_hz)}; what that leaves open is an "
                "error source of the file."
            )
        if self.folded_hz:
            told.append(f"Read by equivalent-time sampling: {_counted(self.folded_hz)}.")
        if self.flags:
            listed = ", ".join(f"{kind} {count}" for kind, count in sorted(self.flags.items()))
            told.append(f"Of {self.points} points are marked: {listed}.")
        return tuple(told)


def _counted(frequencies: list[float]) -> str:
    low, high = min(frequencies), max(frequencies)
    if low == high:
        return f"1 point, {quantity(low, 'Hz')}"
    return f"{len(frequencies)} points, {quantity(low, 'Hz')} to {quantity(high, 'Hz')}"
