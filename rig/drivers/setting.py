"""Settings of both drivers of command tables: within limits, and not lost on the way."""

from __future__ import annotations

from whichcore.errors import InputError
from whichcore.rig.instruments import Span

LOST_STEP = "it was reset, or turned by hand; leave it alone, and the same command takes the sweep up again"


def require_within(value: float, span: Span, what: str, unit: str) -> None:
    """Refuse a setting outside the limits.

    Raises
    ------
    InputError
        Below the lowest, above the highest, or not finite.
    """
    if not span[0] <= value <= span[1]:
        raise InputError(
            f"the {what} is outside the limits of the instrument",
            where=what,
            got=f"{value:g} {unit}".strip(),
            allowed=f"{span[0]:g} to {span[1]:g} {unit}".strip(),
        )
