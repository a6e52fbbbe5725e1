"""From the two voltages of a point to its impedance, whatever pair of ranges read them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from whichcore.analysis.secondary_input import (
    INPUT_CAPACITANCE,
    INPUT_RESISTANCE,
    LOAD_SHAPE,
    SecondaryLoad,
    unloaded,
)
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, PhasorPair, Scope
from whichcore.calibration.error_model import ErrorModel
from whichcore.errors import AnalysisError, CalibrationError
from whichcore.files import SourceColumn
from whichcore.measure.channel_ranges import ChannelRanges
from whichcore.wording import in_percent

LOAD_SOURCES = tuple((name, Scope.SPECIMENS, LOAD_SHAPE) for name in (INPUT_CAPACITANCE, INPUT_RESISTANCE))
RANGE_SOURCES = ("range factor: gain", "range factor: phase")


def file_id(source_id: str) -> str:
    """Return the id of an error source as a sweep file can hold it."""
    return source_id.replace(",", "")


@dataclass(frozen=True, slots=True)
class SecondWinding:
    """The second winding of a specimen, and what channel A loads it with."""

    specimen: Specimen
    load: SecondaryLoad

    def told(self) -> str:
        """Return what was taken off, for the header of a sweep: one of another load does not go on."""
        winding, load = self.specimen.winding, self.load
        return (
            f"{winding.secondary_turns} turns beside {winding.turns}; {load.resistance_ohm:g} ohm ± "
            f"{in_percent(load.u_resistance)}; {load.capacitance_f:g} F ± {load.u_capacitance_f:.3g} F"
        )


@dataclass(frozen=True, slots=True)
class Correction:
    """The ``correct`` callable of a sweep.

    Attributes
    ----------
    model : ErrorModel
    ranges : ChannelRanges
    second : SecondWinding or None
        With two windings: the load of the second one is taken off.
    """

    model: ErrorModel
    ranges: ChannelRanges
    second: SecondWinding | None = None

    def __call__(self, pair: PhasorPair) -> ImpedanceSweep:
        """Correct a pair; raises CalibrationError off the grid, AnalysisError where Z has no bound."""
        try:
            factor = self.ranges.factor(pair.range_labels, pair.frequency_hz)
        except CalibrationError as error:
            # a sweep passes wider ranges on its way to those that suit; only what it stays on counts
            raise AnalysisError(
                error.what, where=error.where, got=error.got, allowed=error.allowed, next_step=error.next_step
            ) from error
        sweep = self.model.correct(pair, factor=factor)
        if self.second is not None:
            sweep = unloaded(sweep, self.second.specimen, self.second.load)
        return replace(sweep, sources=tuple(_renamed(item) for item in sweep.sources))

    def columns(self) -> tuple[SourceColumn, ...]:
        """Return the error sources every corrected point carries, in their order."""
        own = [SourceColumn(file_id(p.id), p.scope, p.distribution) for p in self.model.perturbations]
        ranges = [SourceColumn(name, Scope.RANGE) for name in RANGE_SOURCES]
        load = [] if self.second is None else [SourceColumn(*item) for item in LOAD_SOURCES]
        return (*own, *ranges, *load)


def tied(pair: PhasorPair, ranges: ChannelRanges) -> PhasorPair:
    """Return the reading of a standard as channels of equal gain would have it.

    The uncertainty of the factors goes into the covariance of channel A: it is frozen into the calibration.
    """
    factor = ranges.factor(pair.range_labels, pair.frequency_hz)
    even = factor.apply(pair)
    a = even.voltage_a_v
    along = np.stack([a.real, a.imag], axis=-1)
    across = np.stack([-a.imag, a.real], axis=-1)
    more = np.zeros_like(even.covariance)
    for u, way in ((factor.u_gain, along), (factor.u_phase_rad, across)):
        more[:, :2, :2] += u[:, None, None] ** 2 * way[:, :, None] * way[:, None, :]
    return replace(even, covariance=even.covariance + more)


def _renamed(source: ErrorSource) -> ErrorSource:
    return replace(source, id=file_id(source.id))
