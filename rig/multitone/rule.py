"""How a sweep with all tones at once is to be done: data only, and what it asks of the hardware."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, cast

from whichcore.analysis.multitone import design_tones, fits
from whichcore.analysis.specimen import Specimen
from whichcore.errors import AnalysisError, InputError
from whichcore.rig.instruments import Bench, TakeDevice
from whichcore.rig.sweep.plan import SweepPlan

USUAL_TAKE_S = 2.0
SHORTEST_TAKE_S, LONGEST_TAKE_S = 0.05, 60.0


class Tilt(StrEnum):
    """What is equal for all tones: what is played, the flux density in the core, or what the inputs read.

    MATCHED lifts each tone until its smaller voltage is as high as that of the others.
    """

    EVEN = "even"
    FLUX = "flux"
    MATCHED = "matched"


@dataclass(frozen=True, slots=True)
class ToneRule:
    """A sweep with all tones at once.

    Attributes
    ----------
    samples : int
        Of a record.
    tilt : Tilt
    specimen : Specimen or None
        The core whose flux density is told; None for standards.
    """

    samples: int
    tilt: Tilt = Tilt.MATCHED
    specimen: Specimen | None = None

    def of_core(self, specimen: Specimen) -> ToneRule:
        """Return the same rule for a core."""
        return replace(self, specimen=specimen)

    def fingerprint(self, plan: SweepPlan, bench: Bench) -> str:
        """Return a short name that changes with anything that would change a result."""
        text = f"{plan.fingerprint(bench.wiring, bench.shunt_ohm)} {self.samples} {self.tilt}"
        return hashlib.sha256(text.encode()).hexdigest()[:16]


def take_device(bench: Bench) -> TakeDevice:
    """Return what plays and records at once.

    Raises
    ------
    InputError
        This bench has a generator that plays one tone at a time.
    """
    digitizer: Any = bench.digitizer
    device = getattr(digitizer, "card", digitizer)
    if not hasattr(device, "take") or getattr(digitizer, "source", bench.source) is not bench.source:
        raise InputError(
            "this bench plays one tone at a time",
            where="source, digitizer",
            got=f"{bench.source.identity}; {bench.digitizer.identity}",
            allowed="a sound card, which plays and records on one clock",
            next_step="sweep one frequency after the other",
        )
    return cast("TakeDevice", device)


def samples_of(rate_hz: float, take_s: float) -> int:
    """Return the even number of samples of a take; raises InputError for one too short or too long."""
    if not SHORTEST_TAKE_S <= take_s <= LONGEST_TAKE_S:
        raise InputError(
            "a take of this length cannot be had",
            where="take",
            got=f"{take_s:g} s",
            allowed=f"{SHORTEST_TAKE_S:g} s to {LONGEST_TAKE_S:g} s",
        )
    return 2 * round(rate_hz * take_s / 2)


def tone_grid(
    device: TakeDevice, take_s: float, band_hz: tuple[float, float], per_decade: int, mains_hz: float | None
) -> tuple[float, ...]:
    """Return frequencies in nearly equal ratios that share a take.

    Raises
    ------
    InputError
        They do not fit the take or the sample rate.
    """
    low, high = band_hz
    count = max(1, math.ceil(per_decade * math.log10(high / low) - 1e-9)) + 1 if 0 < low < high else 1
    try:
        tones = design_tones(device.rate_hz, samples_of(device.rate_hz, take_s), band_hz, count, mains_hz)
    except AnalysisError as error:
        raise as_input(error) from error
    return tuple(tones.frequency_hz.tolist())


def grid_fits(device: TakeDevice, rule: ToneRule, frequency_hz: Sequence[float]) -> bool:
    """Tell whether frequencies share a take as they are."""
    return fits(device.rate_hz, rule.samples, frequency_hz)


def as_input(error: AnalysisError) -> InputError:
    """Return what was asked for wrongly, of an error of the analysis."""
    return InputError(
        error.what, where=error.where, got=error.got, allowed=error.allowed, next_step=error.next_step
    )
