"""What to measure next, said in one sentence."""

from __future__ import annotations

from whichcore.analysis.specimen import Specimen
from whichcore.analysis.verdict import Verdict, VerdictKind

#: From this probability on a branch deserves a measurement of its own. Practice.
NOTEWORTHY = 0.2
#: From this probability of one class on, a resistance probe has little left to say. Practice.
_CLASS_SETTLED = 0.95
#: From this probability of references that are silent in the band on, other frequencies come first. Practice.
_SILENT_SHARE = 0.3


def next_measurement(verdict: Verdict, specimen: Specimen) -> str:
    """Return the cheapest measurement that would make the verdict surer.

    Parameters
    ----------
    verdict : Verdict
        Complete but for its advice.
    specimen : Specimen

    Returns
    -------
    str
        One sentence.
    """
    return _doubtful_winding(verdict) or _too_little(verdict, specimen) or _by_kind(verdict, specimen)


def _doubtful_winding(verdict: Verdict) -> str:
    if verdict.other_turns_probability < NOTEWORTHY:
        return ""
    return "Count the turns again at the inside of the core: each pass through the hole is one turn."


def _too_little(verdict: Verdict, specimen: Specimen) -> str:
    """Name what the data lack, cheapest first."""
    spectrum = verdict.spectrum
    silent = sum(c.probability for c in verdict.candidates if c.points_used == 0)
    if spectrum is not None and silent >= _SILENT_SHARE:
        return (
            "Sweep further: the references that remain speak only outside the measured band, "
            f"{spectrum.frequency_hz[0]:.3g} Hz to {spectrum.frequency_hz[-1]:.3g} Hz."
        )
    if _probe_helps(verdict, specimen):
        return (
            "Press two probe tips on the bare core a few millimetres apart and read the resistance: it tells "
            "manganese-zinc from nickel-zinc and from metal within a minute."
        )
    if spectrum is None or spectrum.frequency_hz[-1] <= 10 * spectrum.frequency_hz[0]:
        return (
            "Sweep the wound core from 1 kHz to a few MHz: the shape of the curve tells grades of equal μi "
            "apart."
        )
    if verdict.gapped_probability >= NOTEWORTHY and not specimen.gap_m:
        return (
            "Look for a crack under a lamp, or sweep a second core of the same bin: a crack is not repeated."
        )
    return ""


def _probe_helps(verdict: Verdict, specimen: Specimen) -> bool:
    if specimen.surface_resistance is not None or specimen.encased:
        return False
    by_class: dict[str, float] = {}
    for candidate in verdict.candidates:
        key = candidate.material_class
        by_class[key] = by_class.get(key, 0.0) + candidate.probability
    return max(by_class.values()) < _CLASS_SETTLED


def _by_kind(verdict: Verdict, specimen: Specimen) -> str:
    if verdict.kind is VerdictKind.UNLISTED:
        return (
            "Sweep a core whose grade you know in the same winding and add it to your library: nothing in "
            "the present library explains this curve."
        )
    if verdict.kind is VerdictKind.MATERIAL:
        return (
            "Nothing more is needed to name it; keep the sweep, so that the next core of the bin has a mate."
        )
    top_hz = float(verdict.spectrum.frequency_hz[-1]) if verdict.spectrum is not None else 0.0
    fewer = max(1, specimen.winding.turns // 2)
    if specimen.winding.turns > 1:
        return (
            f"Sweep again with {fewer} turns and beyond {top_hz / 1e6:.3g} MHz: the winding capacitance "
            "falls and the loss peak, where the candidates differ, comes into the band."
        )
    return (
        f"Sweep beyond {top_hz / 1e6:.3g} MHz: the loss peak, where the candidates differ, lies above the "
        "band."
    )
