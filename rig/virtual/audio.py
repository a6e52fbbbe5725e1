"""The bench's circuit behind a sound card, as a client of a JACK server.

``python -m whichcore.rig.virtual.audio --server NAME``. Its ports look like those of hardware: what a program
plays into ``playback_1`` drives the circuit, and ``capture_1`` and ``capture_2`` are nodes A and B. Prints a
JSON line when it is joined to the server, does what each line of standard input asks for and answers with a
line, and ends when standard input closes.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

import click
import numpy as np

from whichcore.analysis.types import FloatArray, Wiring
from whichcore.errors import InputError, WhichcoreError
from whichcore.rig.virtual.audio_card import AudioFault, VirtualCard, card_data, parse_audio_fault
from whichcore.rig.virtual.audio_modes import ModalFilter, modes_of
from whichcore.rig.virtual.circuit import Network
from whichcore.rig.virtual.cores import core
from whichcore.rig.virtual.fixtures import Item, WoundCore, fixture
from whichcore.rig.virtual.oneport import Resistor
from whichcore.rig.virtual.setup import Setup

COMMANDS = ("fit", "wiring", "shunt_ohm", "fault", "freewheel", "state")
USUAL_TURNS = 30


@dataclass(frozen=True, slots=True)
class AudioHands:
    """What is joined to the card."""

    wiring: Wiring = Wiring.SHUNT_AT_GROUND
    item: Item | None = None
    tied: bool = False
    shunt_ohm: float = 10.0


def audio_setup(hands: AudioHands) -> Setup:
    """Return the bench behind the card's inputs."""
    first, second = card_data().inputs
    return Setup(
        hands.wiring,
        fixture("open") if hands.item is None else hands.item,
        shunt_ohm=hands.shunt_ohm,
        input_farad=(first.farad, second.farad),
        input_ohm=(first.ohm, second.ohm),
        tied=hands.tied,
    )


def audio_network(hands: AudioHands) -> tuple[Network, tuple[str, str]]:
    """Return the circuit behind the card's output, and the nodes of its inputs."""
    setup = audio_setup(hands)
    return replace(setup.network(), source=Resistor(card_data().output_ohm)), setup.probes


class AudioBench:
    """The circuit, the card, and hands; what it plays and hears goes through :meth:`step`.

    Parameters
    ----------
    rate_hz : float
    hands : AudioHands
    seed : int or None
        Of the noise.
    """

    def __init__(self, rate_hz: float, hands: AudioHands, seed: int | None = None) -> None:
        self.card = VirtualCard(rate_hz, seed)
        self.loudest = 0.0  # share of the full scale played since it was last asked
        self._rate_hz, self._lock = rate_hz, threading.Lock()
        self.change(hands)

    def change(self, hands: AudioHands) -> None:
        """Join other things; raises InputError."""
        modes = modes_of(*audio_network(hands))
        with self._lock:
            self.hands, self.modes = hands, modes
            self._filter = ModalFilter(modes, self._rate_hz)

    def step(self, played: FloatArray) -> FloatArray:
        """Return what both inputs hear, float array (2, n), of n samples played."""
        with self._lock:
            self.loudest = max(self.loudest, float(np.max(np.abs(played), initial=0.0)))
            stall = self.card.faults.pop(AudioFault.STALL, 0.0)
            heard = self.card.read(self._filter(self.card.emf(played)))
        if stall:
            time.sleep(stall)
        return heard

    def do(self, table: dict[str, Any]) -> None:
        """Carry out a command; raises InputError."""
        hands = self.hands
        if "fit" in table:
            self.change(replace(hands, **_fitted(table)))
        elif "wiring" in table:
            self.change(replace(hands, wiring=_wiring(table["wiring"])))
        elif "shunt_ohm" in table:
            self.change(replace(hands, shunt_ohm=float(table["shunt_ohm"])))
        elif "fault" in table:
            with self._lock:
                if table["fault"] is None:
                    self.card.clear()
                else:
                    told = table["fault"]
                    self.card.set(*parse_audio_fault(str(told["kind"]), float(told.get("value", 0.0))))
        elif "state" not in table and "freewheel" not in table:
            raise InputError(
                "one command a line",
                where="stdin",
                got=", ".join(table) or "none",
                allowed=", ".join(COMMANDS),
            )

    def state(self) -> dict[str, Any]:
        """Return what an onlooker sees; the loudest sample is that since the last look."""
        with self._lock:
            loudest, self.loudest = self.loudest, 0.0
        item = self.hands.item
        return {
            "wiring": self.hands.wiring.value,
            "item": item.core.id if isinstance(item, WoundCore) else "open" if item is None else item.name,
            "tied": self.hands.tied,
            "modes": int(self.modes.poles.size),
            "worst": self.modes.worst,
            "loudest": loudest,
            "faults": [fault.value for fault in self.card.faults],
        }


def _fitted(table: dict[str, Any]) -> dict[str, Any]:
    name = str(table["fit"])
    if name == "tied":
        return {"item": fixture("open"), "tied": True}
    if name != "core":
        return {"item": fixture(name), "tied": False}
    wound = WoundCore(
        core(str(table.get("core"))), int(table.get("turns", USUAL_TURNS)), table.get("secondary_turns")
    )
    return {"item": wound, "tied": False}


def _wiring(value: object) -> Wiring:
    try:
        return Wiring(str(value))
    except ValueError:
        raise InputError(
            "no such wiring", where="wiring", got=f"{value}", allowed=", ".join(Wiring)
        ) from None


@click.command()
@click.option("--server", required=True, help="Name of the JACK server.")
@click.option("--wiring", type=click.Choice([w.value for w in Wiring]), default=Wiring.SHUNT_AT_GROUND.value)
@click.option("--seed", type=int, default=None, help="Of the noise.")
@click.option(
    "--server-process", type=int, default=None, help="Id of the server, to be ended with the circuit."
)
def main(server: str, wiring: str, seed: int | None, server_process: int | None) -> None:
    """Join the circuit to a JACK server as its hardware."""
    import jack  # noqa: PLC0415 - for tests alone: an extra

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    client = jack.Client("system", servername=server, no_start_server=True)
    bench = AudioBench(float(client.samplerate), AudioHands(Wiring(wiring)), seed)
    speakers = [client.inports.register(f"playback_{k}", is_physical=True, is_terminal=True) for k in (1, 2)]
    ears = [client.outports.register(f"capture_{k}", is_physical=True, is_terminal=True) for k in (1, 2)]

    def process(_frames: int) -> None:
        heard = bench.step(speakers[0].get_array().astype(float))
        for port, row in zip(ears, heard, strict=True):
            port.get_array()[:] = row

    client.set_process_callback(process)
    wheel = threading.Event()  # set while the server runs free: it refuses to be told twice
    with client:
        _say({"ready": True, "rate_hz": client.samplerate, **bench.state()})
        for line in sys.stdin:
            if line.strip():
                _say(_answer(client, wheel, bench, line))
    if server_process is not None:  # whoever started both may be dead
        with suppress(OSError):
            os.kill(server_process, signal.SIGTERM)


def _answer(client: Any, wheel: threading.Event, bench: AudioBench, line: str) -> dict[str, Any]:
    try:
        table = json.loads(line)
        if "freewheel" in table and bool(table["freewheel"]) is not wheel.is_set():
            client.set_freewheel(bool(table["freewheel"]))
            (wheel.set if table["freewheel"] else wheel.clear)()
        bench.do(table)
    except WhichcoreError as error:
        return {"ok": False, "error": error.to_dict()}
    return {"ok": True, **bench.state()}


def _say(answer: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
