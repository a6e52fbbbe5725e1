"""How every sweep begins and ends: the output is off before the first thing is set, and on every way out."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager

from whichcore.errors import InputError, InstrumentError, WhichcoreWarning
from whichcore.rig.events import OutputFoundOn
from whichcore.rig.instruments import Bench
from whichcore.rig.sweep.level import FluxRule
from whichcore.rig.sweep.plan import SweepPlan


def begin(plan: SweepPlan, bench: Bench, *, corrected: bool) -> Iterator[OutputFoundOn]:
    """Refuse a level that cannot be kept, switch the output off, and tell if it was on.

    Raises
    ------
    InputError
        The level follows the flux density, and no impedance will be known (``corrected`` is false).
    InstrumentError
        The source fails.
    """
    if isinstance(plan.level, FluxRule) and not corrected:
        raise InputError(
            "a level by flux density needs the impedance",
            where="level",
            next_step="calibrate first, or give a drive level in volts",
        )
    was_on = bench.source.output_is_on()
    bench.source.output_off()
    if was_on:
        yield OutputFoundOn(bench.source.identity)


@contextmanager
def output_off_at_the_end(bench: Bench) -> Iterator[None]:
    """Switch the output off behind what is inside; where that fails after a fault, the fault comes first."""
    try:
        yield
    except BaseException:
        _off_or_say_so(bench)
        raise
    bench.source.output_off()


def _off_or_say_so(bench: Bench) -> None:
    try:
        bench.source.output_off()
    except InstrumentError as error:
        warnings.warn(
            f"the output could not be switched off ({error.one_line()}); switch it off by hand",
            WhichcoreWarning,
            stacklevel=3,
        )
