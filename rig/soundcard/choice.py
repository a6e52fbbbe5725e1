"""Which device is meant: chosen by the name of its host interface and its own, never by a number.

Numbers change with what is plugged in. An address is ``HOST INTERFACE: DEVICE``, as the worker lists them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from whichcore.errors import InstrumentError

ADDRESS = "HOST INTERFACE: DEVICE"


def split_address(address: str) -> tuple[str, str]:
    """Return host interface and device of an address; raises InstrumentError."""
    host, colon, device = address.partition(":")
    if not (colon and host.strip() and device.strip()):
        raise InstrumentError(
            "a sound card is named by its host interface and its own name",
            where="address",
            got=address,
            allowed=f'"{ADDRESS}"',
            next_step="list them with: python -m whichcore.rig.soundcard",
        )
    return host.strip(), device.strip()


def choose(
    address: str, side: str, hosts: Sequence[Mapping[str, Any]], devices: Sequence[Mapping[str, Any]]
) -> int:
    """Return the place of the device that an address names.

    Parameters
    ----------
    address : str
    side : "input" or "output"
    hosts, devices : sequence of mapping
        As ``sounddevice`` gives them.

    Raises
    ------
    InstrumentError
        None or several fit.
    """
    host_name, device_name = split_address(address)
    places = _named(host_name, [str(host["name"]) for host in hosts])
    if len(places) != 1:
        raise InstrumentError(
            "there is no such host interface",
            where=address,
            got=host_name,
            allowed=", ".join(str(host["name"]) for host in hosts) or "none is there",
            next_step="start its server first, if it has one, and connect the card",
        )
    able = [
        index
        for index, device in enumerate(devices)
        if device["hostapi"] == places[0] and device[f"max_{side}_channels"] > 0
    ]
    found = [able[place] for place in _named(device_name, [str(devices[index]["name"]) for index in able])]
    if len(found) != 1:
        raise InstrumentError(
            f"there is no such {side}" if not found else f"several {side}s have this name",
            where=address,
            got=device_name,
            allowed=", ".join(str(devices[index]["name"]) for index in able) or "none is there",
            next_step="connect the card, or copy the name exactly",
        )
    return found[0]


def _named(name: str, there: Sequence[str]) -> list[int]:
    """Return the places of a name: those that are equal, else those that hold it."""
    wanted = name.casefold()
    equal = [place for place, other in enumerate(there) if other.casefold() == wanted]
    return equal or [place for place, other in enumerate(there) if wanted in other.casefold()]
