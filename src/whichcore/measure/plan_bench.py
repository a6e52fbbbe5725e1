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
    source, digitizer = settings.source.table, settings.digitizer.table
    if not isinstance(source, SourceTable | SerialTable) or not isinstance(digitizer, DigitizerTable):
        raise InputError(
            "a plan needs instruments whose limits are written down",
            where=str(settings.path),
            got="a driver that is a plug-in",
            allowed="command tables",
            next_step="plan with --bench virtual, or write a command table",
        )
    limits = settings.source_limits or source.limits
    low, high = limits.level_vpp
    ratios = settings.channels.probe_ratios if settings.channels is not None else (1.0, 1.0)
    return PlanBench(
        shunt_ohm=nominal(settings.shunt.resistance_ohm),
        output_ohm=source.output_ohm,
        level_vpp=(low, min(high, settings.level_vpp or high)),
        frequency_hz=limits.frequency_hz,
        smallest_range_vpp=min(row[0] for row in digitizer.limits.ranges_vpp) * max(ratios),
        steps=256 if digitizer.waveform is None else digitizer.waveform.steps,
        flux_density_t=settings.flux_density_t or INITIAL_FLUX_T,
    )


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
