"""Whether a stated winding goes round its core and through its hole: a slip of a unit shows there first."""

from __future__ import annotations

import numpy as np

from whichcore.analysis.specimen import Core, Ring, TwoHole, Winding

#: Share of the shortest possible wire below which a stated length is doubted: corners are cut. Practice.
_SHORT = 0.8
#: Outer over inner diameter of a ring from which one of them is doubted; usual are 1.3 to 5. Practice.
_THICK_WALL = 12.0


def room_notes(winding: Winding, core: Core) -> tuple[str, ...]:
    """Say what of a winding and a ring, sleeve or two-hole core cannot be as stated.

    Parameters
    ----------
    winding, core : Winding, Core

    Returns
    -------
    tuple of str
        Wire shorter than its turns, wire thicker than the hole takes, a hole far too small for the ring;
        nothing of other shapes.
    """
    if not isinstance(core, Ring | TwoHole):
        return ()
    return (*_wall(core), *_length(winding, core), *_thickness(winding, core))


def _wall(core: Ring | TwoHole) -> tuple[str, ...]:
    if not isinstance(core, Ring) or core.outer_diameter_m < _THICK_WALL * core.inner_diameter_m:
        return ()
    ratio = core.outer_diameter_m / core.inner_diameter_m
    return (
        f"the outer diameter is stated as {ratio:.3g} times the inner one, which is no usual core: check the "
        "units of outer_diameter and inner_diameter",
    )


def _length(winding: Winding, core: Ring | TwoHole) -> tuple[str, ...]:
    """Tell wire that is shorter than turns that lie flat on the core, the first of them left out."""
    if winding.wire_length_m is None:
        return ()
    if isinstance(core, Ring):
        wall = (core.outer_diameter_m - core.inner_diameter_m) / 2
        around = 2 * (core.height_m * core.stack + wall)
    else:
        around = 2 * core.length_m
    least = (winding.turns - 1) * around
    if winding.wire_length_m >= _SHORT * least:
        return ()
    return (
        f"{winding.turns} turns round this core take {least * 1e3:.3g} mm of wire at least, and "
        f"{winding.wire_length_m * 1e3:.3g} mm are stated: check wire_length, turns and dimensions, and "
        "their units",
    )


def _thickness(winding: Winding, core: Ring | TwoHole) -> tuple[str, ...]:
    """Tell wire whose copper alone is more than the hole."""
    if winding.wire_diameter_m is None:
        return ()
    hole = core.inner_diameter_m if isinstance(core, Ring) else core.hole_diameter_m
    if winding.turns * winding.wire_diameter_m**2 <= hole**2:
        return ()
    thickest = hole / np.sqrt(winding.turns)
    return (
        f"{winding.turns} turns of {winding.wire_diameter_m * 1e3:.3g} mm wire do not go through a hole of "
        f"{hole * 1e3:.3g} mm, which takes {thickest * 1e3:.2g} mm at most: check wire_diameter and turns, "
        "and their units",
    )
