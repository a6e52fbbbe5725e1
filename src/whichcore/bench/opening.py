"""Opening the instruments of a bench, each reserved for this program alone."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import Any

from whichcore.bench.load import BenchSettings, Driver
from whichcore.calibration.standards import nominal
from whichcore.errors import InstrumentError
from whichcore.files import home_folder
from whichcore.files.warn import warn
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.drivers.serial_source import SerialSource
from whichcore.rig.instruments import Bench, Operator
from whichcore.rig.lines.address_lock import AddressLock
from whichcore.rig.soundcard.card import CardSettings, SoundCard
from whichcore.rig.soundcard.instruments import SoundDigitizer, SoundSource
from whichcore.rig.tables import command_table
from whichcore.rig.tables.serial_table import SerialTable
from whichcore.rig.virtual.cores import cores
from whichcore.rig.virtual.process import VirtualBench


@dataclass(frozen=True, slots=True)
class OpenBench:
    """Instruments ready for use.

    Attributes
    ----------
    bench : Bench
    operator : Operator or None
        The hands of the virtual bench; None where a person is needed.
    virtual : VirtualBench or None
        The process behind it, for what else its hands can do.
    """

    bench: Bench
    operator: Operator | None = None
    virtual: VirtualBench | None = None


class VirtualHands:
    """Fits fixtures and cores on the virtual bench.

    Parameters
    ----------
    virtual : VirtualBench
    turns : int or None
        Of the cores it fits; None takes the bench's usual winding.
    """

    def __init__(self, virtual: VirtualBench, turns: int | None = None) -> None:
        self._virtual = virtual
        self._winding = {} if turns is None else {"turns": turns}

    def fit(self, name: str) -> None:
        """Put a fixture or a core in place; raises InstrumentError where there is no such thing."""
        if name in cores():
            self._virtual.do(fit="core", core=name, **self._winding)
        else:
            self._virtual.do(fit=name)


@contextmanager
def open_bench(settings: BenchSettings) -> Iterator[OpenBench]:
    """Open both instruments, and close them at the end; a virtual bench is started and ended.

    Parameters
    ----------
    settings : BenchSettings

    Raises
    ------
    InstrumentError
        Another program uses an instrument, or the virtual bench does not start. Nothing is said to an
        instrument yet.
    """
    with ExitStack() as stack:
        addresses = (settings.source.address, settings.digitizer.address)
        virtual = None
        if settings.virtual:
            virtual = stack.enter_context(VirtualBench(settings.wiring, fronts=settings.fronts))
            addresses = (virtual.source, virtual.digitizer)
        for address in dict.fromkeys(addresses):
            stack.enter_context(AddressLock(home_folder() / "locks", address))
        card = None if settings.sound is None else _card(settings.sound)
        source: Any = (
            _source(settings, addresses[0]) if card is None else SoundSource(card, settings.source_limits)
        )
        stack.callback(source.close)
        digitizer: Any = _digitizer(settings, addresses[1]) if card is None else SoundDigitizer(card, source)
        stack.callback(digitizer.close)
        known = settings.sound is None or settings.sound.scale_known
        bench = Bench(source, digitizer, settings.wiring, nominal(settings.shunt.resistance_ohm), known)
        yield OpenBench(bench, None if virtual is None else VirtualHands(virtual), virtual)


def _card(settings: CardSettings) -> SoundCard:
    if not settings.scale_known:
        warn(
            "the full scale of the sound card is not stated: volts are nominal, and the flux density may be "
            "off by as much as they are; impedances are right. State full_scale in [source] and [digitizer] "
            "(docs/how-to/use-a-sound-card.md)"
        )
    return SoundCard(settings)


def _source(settings: BenchSettings, address: str) -> Any:
    table = settings.source.table
    if isinstance(table, command_table.SourceTable):
        return ScpiSource(table, address, settings.source_limits)
    if isinstance(table, SerialTable):
        return SerialSource(table, address, settings.source_limits)
    return _plugged_in(settings.source, settings)


def _digitizer(settings: BenchSettings, address: str) -> Any:
    if settings.recorder is not None:
        return SoundDigitizer(SoundCard(settings.recorder), None)
    table = settings.digitizer.table
    if isinstance(table, command_table.DigitizerTable):
        return ScpiDigitizer(table, address, settings.channels)
    return _plugged_in(settings.digitizer, settings)


def _plugged_in(driver: Driver, settings: BenchSettings) -> Any:
    """Return the instrument a plug-in makes; whatever it raises ends here."""
    if driver.plugin is None:  # pragma: no cover - a driver is a table or a plug-in
        raise AssertionError("a driver without a table")
    try:
        return driver.plugin.load()(settings)
    except InstrumentError:
        raise
    except Exception as error:
        raise InstrumentError(
            "the driver cannot be used",
            where=f"{driver.name} ({driver.plugin.value})",
            got=f"{type(error).__name__}: {error}",
            next_step="update or remove the package it comes from",
        ) from error
