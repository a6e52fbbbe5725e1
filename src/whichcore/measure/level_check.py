"""Does a channel read more than the source can give? Then a scale is wrong, and so would every result be."""

from __future__ import annotations

from whichcore.analysis.types import Wiring
from whichcore.errors import InstrumentError
from whichcore.rig.events import PointDone

MOST_OF_EMF = 1.25  # practice: gains of source and channel together are off by less


def check_level(event: PointDone, wiring: Wiring) -> None:
    """Refuse a point at which node A stands above the open-circuit voltage E of the source.

    Behind the source's resistance R_o a passive circuit Z takes |Z/(Z + R_o)| E, at most E, as Re Z ≥ 0
    (derived here). With two windings channel A reads the second one, which steps up or down: nothing is
    known.

    Parameters
    ----------
    event : PointDone
    wiring : Wiring

    Raises
    ------
    InstrumentError
        Channel A reads above 1.25 E.
    """
    emf_vpk, seen_vpk = event.level_vpp / 2, abs(complex(event.phasors.phasor_vpk[0]))
    if wiring is Wiring.TWO_WINDINGS or seen_vpk <= MOST_OF_EMF * emf_vpk:
        return
    raise InstrumentError(
        "channel A reads more than the source gives with its output open",
        where=f"{event.frequency_hz:g} Hz, range {event.range_label}",
        got=f"{seen_vpk:.3g} V peak",
        allowed=f"up to {emf_vpk:.3g} V peak",
        next_step="its range or probe ratio, or the display load of the source, is not what it says: run "
        "whichcore doctor",
    )
