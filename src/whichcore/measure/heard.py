"""What the events of one sweep add to its result."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from whichcore.analysis.types import FlagKind
from whichcore.rig.events import Demagnetised, Event, PointDone, Started
from whichcore.wording import in_percent, quantity


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
                f"Noise and converter leave {in_percent(self.worst[1])} of |Z| open at most, at "
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
