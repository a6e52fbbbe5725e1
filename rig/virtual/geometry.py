"""Size of the invented cores: own arithmetic, apart from the one that judges the measurement."""

from __future__ import annotations

import math
from dataclasses import dataclass

MU_0 = 1.25663706212e-6  # H/m, CODATA 2018; memory


@dataclass(frozen=True, slots=True)
class Body:
    """What the flux and the wire need to know of a core.

    Attributes
    ----------
    c1_per_m, c2_per_m3 : float
        Σ l/A and Σ l/A² of the magnetic material.
    turn_m : float
        Length of a turn laid close.
    """

    c1_per_m: float
    c2_per_m3: float
    turn_m: float

    @property
    def area_m2(self) -> float:
        """Effective area C1/C2 (IEC 60205; memory)."""
        return self.c1_per_m / self.c2_per_m3

    @property
    def length_m(self) -> float:
        """Effective length C1²/C2 (IEC 60205; memory)."""
        return self.c1_per_m**2 / self.c2_per_m3

    def air_inductance(self, turns: float) -> float:
        """Return μ0 N²/C1, H: the winding with the material taken out and the flux left in place."""
        return MU_0 * turns**2 / self.c1_per_m


def ring(outer_m: float, inner_m: float, height_m: float, coat_m: float, filling: float) -> Body:
    """Return the constants of a ring of rectangular section.

    C1 = 2π/(h ln(d1/d2)), C2 = 4π(1/d2 − 1/d1)/(h² ln³(d1/d2)) from the field of a straight wire (analytic);
    the coat is taken off every face and the section is filled to a share.
    """
    d1, d2, h = outer_m - 2 * coat_m, inner_m + 2 * coat_m, (height_m - 2 * coat_m) * filling
    log = math.log(d1 / d2)
    c1 = 2 * math.pi / (h * log)
    c2 = 4 * math.pi * (1 / d2 - 1 / d1) / (h**2 * log**3)
    return Body(c1, c2, 2 * height_m + (outer_m - inner_m))
