"""Where a tone and its harmonics appear in a record, and whether they can be told apart there.

A line of c cycles per sample appears at the fold of c, its distance from the nearest whole number. Above half
the sample rate a tone is seen at another frequency than its own; as it is known which, nothing is lost
(equivalent-time sampling), as long as the clocks of source and digitizer agree well enough for the fold.
"""

from __future__ import annotations

from whichcore.analysis.phasor import LARGEST_CLOCK_OFFSET

__all__ = ["LARGEST_CLOCK_OFFSET", "fold", "obstacle"]

#: Cycles per sample up to which a tone is sampled in the ordinary way.
MOST_CYCLES = 0.4
#: A harmonic up to this order that folds onto the tone is taken for it. Practice: higher ones are small.
HIGHEST_ORDER = 5
#: Bins that two lines, and a folded tone and the ends of the band, must be apart.
BINS_APART = 3.0
#: Periods of a folded tone in the record at least, as it turns by the clocks' difference as well. Practice.
FEWEST_FOLDED = 32
#: Shortest part of a record whose phase is followed, samples, and how far it may turn unseen, turns.
PART_SAMPLES, MOST_TURN = 16, 0.4


def fold(cycles: float) -> float:
    """Return where a line of so many cycles per sample appears, 0 to 1/2."""
    rest = cycles % 1.0
    return min(rest, 1.0 - rest)


def obstacle(frequency_hz: float, interval_s: float, samples: int, clock_uncertainty: float) -> str:
    """Say what keeps a tone from being read at a sample interval; an empty text where nothing does.

    Parameters
    ----------
    frequency_hz : float
        By the clock of the digitizer, as far as it is known.
    interval_s : float
    samples : int
        Of the record.
    clock_uncertainty : float
        How far, relative, the frequency may be off.

    Notes
    -----
    An offset d of the clocks moves the tone by c d cycles per sample and its k-th harmonic by k c d: they
    must stay (k + 1) c d apart beside the width of a few bins. The phase of 16 samples turns by 16 c d;
    beyond half a turn its sign is lost, and with it the frequency. Derived here.
    """
    cycles = frequency_hz * interval_s
    place, bins = fold(cycles), BINS_APART / samples
    moved = clock_uncertainty * cycles
    if cycles > MOST_CYCLES:
        if PART_SAMPLES * moved > MOST_TURN:
            return (
                f"the clocks may differ by {1e6 * clock_uncertainty:.3g} ppm, which at {cycles:.3g} cycles "
                "per sample leaves the frequency open"
            )
        least = max(bins, FEWEST_FOLDED / samples) + moved
        if not least <= place <= 0.5 - bins - moved:
            return "the tone folds onto a multiple of half the sample rate"
    for order in range(2, HIGHEST_ORDER + 1):
        if order * cycles > 0.5 and abs(fold(order * cycles) - place) < bins + (order + 1) * moved:
            return f"harmonic {order} folds onto the tone"
    return ""
