"""Commands on standard input: what hands would do. One JSON object a line, one answer a line."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from whichcore.analysis.types import Wiring
from whichcore.errors import InputError, WhichcoreError
from whichcore.rig.virtual.bench import Bench, Hands
from whichcore.rig.virtual.cores import Core, core
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.faults import FaultKind, parse_fault
from whichcore.rig.virtual.fixtures import WoundCore, fixture
from whichcore.rig.virtual.line import push_fault
from whichcore.rig.virtual.scpi import Instrument

COMMANDS = (
    "fit", "wiring", "shunt_ohm", "pad_db", "blocking_farad", "probe", "temperature", "remanence_t",
    "age_s", "fault", "state",
)  # fmt: skip
COLDEST_C, HOTTEST_C = -40.0, 150.0
USUAL_TURNS = 10  # of a core fitted without a word about them


class Operator:
    """Does on a bench what a line of JSON asks for.

    Parameters
    ----------
    bench : Bench
    instruments : mapping of str to Instrument
    shelf : mapping of str to Core or None
        Cores at hand by id; None for those of the workshop.
    """

    def __init__(
        self, bench: Bench, instruments: Mapping[str, Instrument], shelf: Mapping[str, Core] | None = None
    ) -> None:
        self._bench = bench
        self._shelf = shelf
        self._instruments = instruments
        self._last_core: WoundCore | None = None
        self._doers: dict[str, Callable[[Hands, dict[str, Any]], Hands]] = {
            "fit": self._fit,
            "wiring": lambda hands, t: replace(hands, wiring=_wiring(t["wiring"])),
            "shunt_ohm": _shunt,
            "pad_db": lambda hands, t: replace(hands, pad_db=_number(t, "pad_db", 0.0, 80.0)),
            "blocking_farad": _blocking,
            "probe": _probe,
            "temperature": self._warm,
            "remanence_t": lambda hands, t: replace(hands, remanence_t=_number(t, "remanence_t", -2.0, 2.0)),
            "age_s": self._age,
            "fault": self._fault,
            "state": lambda hands, _t: hands,
        }

    def answer(self, line: str) -> str:
        """Run one line and return the answer: ``{"ok": true, …}`` with the state, or what was wrong."""
        try:
            self._do(_table(line))
        except WhichcoreError as error:
            return json.dumps({"ok": False, "error": error.to_dict()})
        return json.dumps({"ok": True, **self._bench.state()})

    def _do(self, table: dict[str, Any]) -> None:
        verbs = [name for name in COMMANDS if name in table]
        if len(verbs) != 1:
            raise InputError(
                "one command a line",
                where="stdin",
                got=", ".join(table) or "none",
                allowed=", ".join(COMMANDS),
            )
        self._bench.change(hands=self._doers[verbs[0]](self._bench.hands, table))

    def _fit(self, hands: Hands, table: dict[str, Any]) -> Hands:
        name = table["fit"]
        if name == "core":
            wound = _wound(table, self._shelf)
            self._last_core = wound
            return replace(hands, item=wound, tied=False, remanence_t=0.0)
        if set(table) != {"fit"}:
            raise InputError("only a core takes more", where="fit", got=", ".join(table), allowed="fit")
        if name == "tied":
            return replace(hands, item=fixture("open"), tied=True)
        if name == "empty":
            if self._last_core is None:
                raise InputError(
                    "no winding to empty",
                    where="fit",
                    got="empty",
                    next_step='fit a "core" with its turns first',
                )
            return replace(hands, item=self._last_core.emptied(), tied=False)
        return replace(hands, item=fixture(str(name)), tied=False)

    def _warm(self, hands: Hands, table: dict[str, Any]) -> Hands:
        """Warm or cool the piece; a heated core begins to age anew."""
        celsius = _number(table, "temperature", COLDEST_C, HOTTEST_C)
        return replace(hands, temperature_c=celsius, disturbed_s=self._bench.now())

    def _age(self, hands: Hands, table: dict[str, Any]) -> Hands:
        return replace(hands, disturbed_s=self._bench.now() - _number(table, "age_s", 0.0, 1e9))

    def _fault(self, hands: Hands, table: dict[str, Any]) -> Hands:
        wanted = table["fault"]
        if wanted is None:
            self._bench.faults.clear()
            return hands
        if not isinstance(wanted, dict):
            raise InputError("a fault is an object, or null for none", where="fault", got=f"{wanted}")
        fault = parse_fault(wanted)
        if fault.kind is FaultKind.ERROR_IN_QUEUE:
            push_fault(self._instruments[fault.on])
        else:
            self._bench.faults.add(fault)
        return hands


def _table(line: str) -> dict[str, Any]:
    try:
        table = json.loads(line)
    except ValueError as error:
        raise InputError("the line is no JSON", where="stdin", got=line.strip()[:80]) from error
    if not isinstance(table, dict):
        raise InputError("a JSON object was expected", where="stdin", got=line.strip()[:80])
    return table


def _number(table: Mapping[str, Any], key: str, lowest: float, highest: float) -> float:
    value = table[key]
    plain = isinstance(value, (int, float)) and not isinstance(value, bool)
    if not plain or not lowest <= value <= highest:
        raise InputError(
            "it is out of reach", where=key, got=f"{value}", allowed=f"{lowest:g} to {highest:g}"
        )
    return float(value)


def _wiring(value: object) -> Wiring:
    try:
        return Wiring(str(value))
    except ValueError:
        raise InputError(
            "no such wiring", where="wiring", got=f"{value}", allowed=", ".join(Wiring)
        ) from None


def _shunt(hands: Hands, table: dict[str, Any]) -> Hands:
    value = _number(table, "shunt_ohm", 0.0, 1e6)
    electronics().shunt(value)
    return replace(hands, shunt_ohm=value)


def _blocking(hands: Hands, table: dict[str, Any]) -> Hands:
    if table["blocking_farad"] is None:
        return replace(hands, blocking_farad=None)
    return replace(hands, blocking_farad=_number(table, "blocking_farad", 1e-9, 1.0))


def _probe(hands: Hands, table: dict[str, Any]) -> Hands:
    """Hang a probe of ratio 1 or 10 on a channel: ``{"probe": 10, "channel": 1}``."""
    channel, ratio = table.get("channel"), table["probe"]
    if channel not in (1, 2) or ratio not in electronics().digitizer.inputs:
        allowed = "probe 1 or 10, channel 1 or 2"
        raise InputError(
            "no such probe or channel", where="probe", got=f"{ratio}, {channel}", allowed=allowed
        )
    ratios = list(hands.probe_ratios)
    ratios[channel - 1] = ratio
    return replace(hands, probe_ratios=(ratios[0], ratios[1]))


def _wound(table: dict[str, Any], shelf: Mapping[str, Core] | None) -> WoundCore:
    unknown = set(table) - {"fit", "core", "turns", "secondary_turns", "wire_diameter_m", "lead_length_m"}
    if unknown or "core" not in table:
        allowed = "core, turns, secondary_turns, wire_diameter_m, lead_length_m"
        raise InputError("a core is fitted by its name", where="fit", got=", ".join(table), allowed=allowed)
    wire, lead = (
        _number(table, key, 1e-5, 1.0) if key in table else usual
        for key, usual in (("wire_diameter_m", 0.4e-3), ("lead_length_m", 0.04))
    )
    turns = _turns({"turns": USUAL_TURNS, **table}, "turns") or 0
    piece = core(str(table["core"]), shelf)
    return WoundCore(piece, turns, _turns(table, "secondary_turns"), wire, lead)


def _turns(table: Mapping[str, Any], key: str) -> int | None:
    value = table.get(key)
    if value is not None and (isinstance(value, bool) or not isinstance(value, int)):
        raise InputError("turns are counted", where=key, got=f"{value}", allowed="1, 2, …")
    return value
