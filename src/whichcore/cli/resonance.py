"""``whichcore resonance``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from whichcore.analysis.functional import LOSS_TANGENT, real_curve
from whichcore.analysis.permeability import permeability, winding_seen
from whichcore.analysis.resonance import (
    Connection,
    KnownCapacitor,
    Resonance,
    capacitance_for,
    direct_at,
    flux_density_t,
    resonance,
)
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ImpedanceSweep
from whichcore.cli.options import reporting
from whichcore.cli.resonance_text import Found, Wanted, against, found_report, resonance_page, wanted_report
from whichcore.cli.session import Session
from whichcore.errors import InputError, UsageError
from whichcore.files import Dimension, load_specimen, load_sweep, parse_prefixed

FORMAT = "whichcore-resonance/1"


@dataclass(frozen=True, slots=True)
class _Asked:
    """The capacitors and sweeps as the user named them."""

    sweeps: tuple[str, ...]
    capacitances: tuple[str, ...]
    tolerances: tuple[str, ...]
    losses: tuple[float, ...]
    loss_tolerances: tuple[float, ...]


@click.command()
@click.option("--specimen", required=True, metavar="FILE", help="Specimen file (TOML) of core and winding.")
@click.option(
    "--sweep",
    "sweeps",
    multiple=True,
    metavar="FILE",
    help="Impedance of winding and capacitor together, dense about the resonance. May be given again, once "
    "for each capacitor.",
)
@click.option(
    "--capacitance",
    "capacitances",
    multiple=True,
    metavar="TEXT",
    help='Capacitance at that frequency, such as "10 nF"; once for each sweep.',
)
@click.option(
    "--capacitance-tolerance",
    "tolerances",
    multiple=True,
    metavar="TEXT",
    help='Half width, such as "1 %"; once for all or for each. Without it: 5 %.',
)
@click.option(
    "--loss-tangent",
    "losses",
    type=float,
    multiple=True,
    metavar="NUMBER",
    help="Of the capacitor at that frequency, its series resistance included (tan δ = ωC·ESR); once for all "
    "or for each.",
)
@click.option(
    "--loss-tangent-tolerance",
    "loss_tolerances",
    type=float,
    multiple=True,
    metavar="NUMBER",
    help="Half width. Without it: as much as the loss tangent itself.",
)
@click.option(
    "--connection",
    required=True,
    type=click.Choice([item.value for item in Connection]),
    help="How the capacitor is joined to the winding.",
)
@click.option("--direct", metavar="FILE", help="A sweep of the winding alone, to compare with.")
@click.option(
    "--voltage",
    metavar="TEXT",
    help='Voltage across winding and capacitor at the resonance, rms, such as "20 mV": gives the level in '
    "the core.",
)
@click.option(
    "--want",
    metavar="FREQUENCY",
    help="Print the capacitance to take for a resonance at this frequency; needs --direct or a resonance "
    "near it.",
)
@reporting
@click.pass_obj
def command(
    session: Session,
    /,
    specimen: str,
    connection: str,
    direct: str | None,
    voltage: str | None,
    want: str | None,
    **asked: Any,
) -> None:
    """Find the loss of a low-loss core from its winding with a known capacitor, across the resonance.

    Where R is read at X = 0 (series) or G at B = 0 (parallel) the phase error of the bench hardly counts. The
    result is compared with the direct one. Keep the level low: at the resonance the core sees many times the
    voltage, or the current, that the terminals show.
    """
    wound, joined = load_specimen(specimen), Connection(connection)
    alone = load_sweep(direct) if direct is not None else None
    found = [
        _found(resonance(load_sweep(path), wound, capacitor, joined), wound, alone, voltage)
        for path, capacitor in _capacitors(_Asked(**asked))
    ]
    wanted = None if want is None else _wanted(want, joined, alone, found)
    if not found and wanted is None:
        raise UsageError(
            "there is nothing to do",
            where="whichcore resonance",
            got="no sweep and no frequency wanted",
            allowed="--sweep FILE with --capacitance and --loss-tangent; or --want FREQUENCY with --direct "
            "FILE",
        )
    for item in found:
        for note in item.resonance.notes:
            session.warn(note)
    session.deliver(
        lambda: {
            "format": FORMAT,
            "resonances": [found_report(item) for item in found],
            "wanted": None if wanted is None else wanted_report(wanted),
        },
        lambda: resonance_page(wound, found, wanted),
    )


def _capacitors(asked: _Asked) -> list[tuple[Path, KnownCapacitor]]:
    """Return sweeps with their capacitors."""
    count = len(asked.sweeps)
    if count and not asked.losses:
        raise UsageError(
            "the loss of the capacitor is not known, and it is what is mistaken for the core's",
            where="--loss-tangent",
            got="nothing",
            allowed="its loss tangent at that frequency, from its data sheet or a bridge",
        )
    farads = _each(asked.capacitances, count, "--capacitance")
    tolerances = _each(asked.tolerances or ("5 %",), count, "--capacitance-tolerance")
    losses = _each(asked.losses or (0.0,), count, "--loss-tangent")
    doubts = _each(asked.loss_tolerances or losses, count, "--loss-tangent-tolerance")
    return [
        (
            Path(path),
            KnownCapacitor(
                parse_prefixed(farad, Dimension.CAPACITANCE, where="--capacitance"),
                parse_prefixed(tolerance, Dimension.RATIO, where="--capacitance-tolerance"),
                loss,
                doubt,
            ),
        )
        for path, farad, tolerance, loss, doubt in zip(
            asked.sweeps, farads, tolerances, losses, doubts, strict=True
        )
    ]


def _each(values: tuple[Any, ...], count: int, option: str) -> tuple[Any, ...]:
    """Return one value for each sweep."""
    if len(values) == count:
        return values
    if len(values) == 1:
        return values * count
    raise UsageError(
        "each sweep has one capacitor",
        where=option,
        got=f"{len(values)} for {count} sweeps",
        allowed="one for each --sweep, in the same order"
        + ("" if option == "--capacitance" else ", or one for all"),
    )


def _found(one: Resonance, wound: Specimen, alone: ImpedanceSweep | None, voltage: str | None) -> Found:
    curve = real_curve(LOSS_TANGENT, one.spectrum)
    comparison = None
    if alone is not None:
        point = direct_at(alone, one.frequency_hz)
        comparison = against(curve, one, real_curve(LOSS_TANGENT, permeability(point, wound)), point)
    level = None
    if voltage is not None:
        volts = parse_prefixed(voltage, Dimension.VOLTAGE, where="--voltage")
        if not (math.isfinite(volts) and volts > 0):
            raise InputError(
                "a voltage across the parts is positive", where="--voltage", got=voltage, allowed="> 0 V"
            )
        level = (volts, flux_density_t(one, wound, volts))
    return Found(one, curve, _copper_ohm(one, wound), flux_density_t(one, wound, 1.0), level, comparison)


def _copper_ohm(one: Resonance, wound: Specimen) -> tuple[float, float]:
    """Return the resistance of the copper taken off and its standard uncertainty."""
    element = winding_seen(one.winding, wound).resistance_ohm
    return float(element.value[0]), math.hypot(*(float(error.change[0]) for error in element.errors))


def _wanted(want: str, joined: Connection, alone: ImpedanceSweep | None, found: list[Found]) -> Wanted:
    frequency = parse_prefixed(want, Dimension.FREQUENCY, where="--want")
    if alone is not None:
        return Wanted(frequency, capacitance_for(alone, frequency, joined), "the direct sweep", joined)
    if found:
        inductance = found[0].resonance.inductance_h
        farad = 1 / ((2 * math.pi * frequency) ** 2 * inductance)
        place = f"the inductance at {found[0].resonance.frequency_hz:.4g} Hz"
        return Wanted(frequency, farad, place, joined)
    raise UsageError(
        "the inductance of the winding is not known",
        where="--want",
        got=want,
        allowed="--direct with a sweep of the winding alone, or a resonance with a capacitor",
    )
