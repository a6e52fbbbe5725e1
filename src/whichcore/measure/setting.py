"""What a calibration belongs to, read off an open bench."""

from __future__ import annotations

from dataclasses import replace

from whichcore.analysis.permeability import TERMINALS
from whichcore.analysis.secondary_input import SecondaryLoad
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import Wiring
from whichcore.bench import BenchSettings
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.errors import InputError
from whichcore.measure.correction import SecondWinding
from whichcore.rig.instruments import Bench

HIGHEST_UNTOLD_VPP = 20.0


def fingerprint_of(settings: BenchSettings, bench: Bench) -> Fingerprint:
    """Return the fingerprint of a bench; the ranges are left open, as every pair used is tied in.

    Raises
    ------
    InstrumentError
        An instrument does not say what it is.
    """
    channels = settings.channels
    coupling, probes = (
        ("", (1.0, 1.0)) if channels is None else (channels.coupling or "", channels.probe_ratios)
    )
    return Fingerprint(
        wiring=settings.wiring,
        coupling=coupling,
        probe_ratio_a=probes[0],
        probe_ratio_b=probes[1],
        shunt=f"{settings.shunt.name}, {bench.shunt_ohm:g} ohm",
        cables="" if channels is None else f"channels {channels.channels[0]} and {channels.channels[1]}",
        instruments=f"{bench.source.identity}; {bench.digitizer.identity}",
    )


def with_winding(fingerprint: Fingerprint, plane: str, specimen: Specimen) -> Fingerprint:
    """Return the fingerprint of a set-up as a calibration of this plane knows it.

    A calibration that calls an empty winding zero belongs to that winding: other turns are another set-up.
    """
    if plane == TERMINALS:
        return fingerprint
    return replace(fingerprint, fixture=f"empty winding of {specimen.winding.turns} turns")


def second_winding(settings: BenchSettings, specimen: Specimen) -> SecondWinding | None:
    """Return the second winding with its load by channel A; None where the wiring has none.

    Raises
    ------
    InputError
        The specimen has one winding, or the bench file does not say what channel A loads the other with.
    """
    if settings.wiring is not Wiring.TWO_WINDINGS:
        return None
    if specimen.winding.secondary_turns is None:
        raise InputError(
            "this bench reads a second winding, and the specimen has one winding",
            where="winding, secondary_turns",
            got="none",
            next_step="add secondary_turns to the specimen file, or use another wiring",
        )
    resistance, capacitance = settings.inputs[0].resistance_ohm, settings.inputs[0].capacitance_f
    if resistance is None or capacitance is None:
        raise InputError(
            "two windings need what channel A loads the second one with",
            where="digitizer",
            got="nothing",
            next_step="add input_resistance and input_capacitance to bench.toml",
        )
    load = SecondaryLoad(
        capacitance_f=capacitance.value,
        u_capacitance_f=capacitance.standard_uncertainty,
        resistance_ohm=resistance.value,
        u_resistance=resistance.standard_uncertainty / resistance.value,
    )
    return SecondWinding(specimen, load)


def bench_name(settings: BenchSettings) -> str:
    """Return a short name of a bench for headers and files."""
    return "virtual" if settings.virtual else settings.path.resolve().stem


def highest_level_vpp(settings: BenchSettings) -> float:
    """Return the level that is never passed, V peak to peak, open circuit."""
    return HIGHEST_UNTOLD_VPP if settings.level_vpp is None else settings.level_vpp
