"""Sample intervals of instruments that are told how long a division of their screen is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from whichcore.rig.tables.reader import TableReader


@dataclass(frozen=True, slots=True)
class Timebase:
    """The interval follows from time per division: divisions × time per division / points of the memory.

    Attributes
    ----------
    divisions : float
        Of the record, across.
    memory_points : int
    steps : tuple of float
        Times per division of one decade, from 1 to below 10.
    seconds_per_division : (float, float)
        Shortest and longest.
    """

    divisions: float
    memory_points: int
    steps: tuple[float, ...]
    seconds_per_division: tuple[float, float]

    def per_division(self, interval_s: float) -> float:
        """Return the shortest time per division with an interval as long as wanted, or the longest there is.

        Longer, not nearest: the record then holds as many periods as were wanted, or more.
        """
        wanted = interval_s * self.memory_points / self.divisions
        low, high = self.seconds_per_division
        decade = 10.0 ** math.floor(math.log10(wanted))
        candidates = [step * power for power in (decade, 10 * decade) for step in self.steps]
        taken = next(item for item in candidates if item >= wanted * (1 - 1e-6))
        return float(f"{min(max(taken, low), high):.12g}")

    def intervals_s(self) -> tuple[float, float]:
        """Return the shortest and the longest interval."""
        low, high = self.seconds_per_division
        return low * self.divisions / self.memory_points, high * self.divisions / self.memory_points


def read_timebase(table: TableReader, memory_points: int) -> Timebase:
    """Read the section of a command table; raises InputError."""
    steps = table.ascending("steps") if "steps" in table else (1.0, 2.0, 5.0)
    if not (steps[0] == 1 and steps[-1] < 10):
        raise table.wrong("steps", list(steps), "[1, 2, 5]: of one decade, from 1 to below 10")
    timebase = Timebase(
        divisions=table.number("divisions", least=1.0),
        memory_points=memory_points,
        steps=steps,
        seconds_per_division=table.span("seconds_per_division", positive=True),
    )
    table.finish()
    return timebase
