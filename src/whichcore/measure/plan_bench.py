"""What the planner needs to know of a bench, from its file alone."""

from __future__ import annotations

from whichcore.analysis.plan_point import INITIAL_FLUX_T, PlanBench
from whichcore.bench import BenchSettings
from whichcore.calibration.standards import nominal
from whichcore.errors import InputError
from whichcore.rig.soundcard.card import CardSettings
from whichcore.rig.soundcard.instruments import card_limits
from whichcore.rig.tables.command_table import DigitizerTable, SourceTable
from whichcore.rig.tables.serial_table import SerialTable

CARD_STEPS = 2**16  # noise of 96 dB below the full scale; practice, whatever the converter's bits


def plan_bench(settings: BenchSettings) -> PlanBench:
    """Return what the planner needs of a bench file.

    Raises
    ------
    InputError
        An instrument is driven by a plug-in, whose limits are not known before it is opened.
    """
    if settings.sound is not None:
        return _of_card(settings, settings.sound)
    source, reading = settings.source.table, _reading(settings)
    if not isinstance(source, SourceTable | SerialTable) or reading is None:
        raise InputError(
            "a plan needs instruments whose limits are written down",
            where=str(settings.path),
            got="a driver that is a plug-in",
            allowed="command tables",
            next_step="plan with --bench virtual, or write a command table",
        )
    smallest_range_vpp, steps = reading
    limits = settings.source_limits or source.limits
    low, high = limits.level_vpp
    return PlanBench(
        shunt_ohm=nominal(settings.shunt.resistance_ohm),
        output_ohm=source.output_ohm,
        level_vpp=(low, min(high, settings.level_vpp or high)),
        frequency_hz=limits.frequency_hz,
        smallest_range_vpp=smallest_range_vpp,
        steps=steps,
        flux_density_t=settings.flux_density_t or INITIAL_FLUX_T,
    )


def _reading(settings: BenchSettings) -> tuple[float, int] | None:
    """Return the smallest range and its steps; None where a plug-in knows them."""
    if settings.recorder is not None:
        return 2 * min(settings.recorder.in_vpk), CARD_STEPS
    table = settings.digitizer.table
    if not isinstance(table, DigitizerTable):
        return None
    ratios = settings.channels.probe_ratios if settings.channels is not None else (1.0, 1.0)
    smallest = min(row[0] for row in table.limits.ranges_vpp) * max(ratios)
    return smallest, 256 if table.waveform is None else table.waveform.steps


def _of_card(settings: BenchSettings, card: CardSettings) -> PlanBench:
    limits = settings.source_limits or card_limits(card)
    return PlanBench(
        shunt_ohm=nominal(settings.shunt.resistance_ohm),
        output_ohm=card.output_ohm,
        level_vpp=(limits.level_vpp[0], settings.level_vpp or limits.level_vpp[1]),
        frequency_hz=limits.frequency_hz,
        smallest_range_vpp=2 * min(card.in_vpk),
        steps=CARD_STEPS,
        flux_density_t=settings.flux_density_t or INITIAL_FLUX_T,
    )
