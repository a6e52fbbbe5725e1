"""What a calibration belongs to, read off an open bench."""

from __future__ import annotations

from whichcore.bench import BenchSettings
from whichcore.calibration.fingerprint import Fingerprint
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


def bench_name(settings: BenchSettings) -> str:
    """Return a short name of a bench for headers and files."""
    return "virtual" if settings.virtual else settings.path.resolve().stem


def highest_level_vpp(settings: BenchSettings) -> float:
    """Return the level that is never passed, V peak to peak, open circuit."""
    return HIGHEST_UNTOLD_VPP if settings.level_vpp is None else settings.level_vpp
