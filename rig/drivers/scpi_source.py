"""The source that speaks the commands of a table."""

from __future__ import annotations

import math
from collections.abc import Mapping

from whichcore.errors import InstrumentError
from whichcore.rig.drivers.conversation import Conversation
from whichcore.rig.drivers.setting import LOST_STEP, require_within
from whichcore.rig.drivers.spoken import Spoken
from whichcore.rig.instruments import SourceLimits
from whichcore.rig.tables.command_table import SourceTable

FREQUENCY_NEAR = 1e-5  # practice: seven digits and a crystal; more is another frequency
LEVEL_NEAR = 0.05  # practice: a display rounds less; more is another level


class ScpiSource(Spoken):
    """A generator spoken to by a command table; see :class:`whichcore.rig.instruments.Source`.

    Parameters
    ----------
    table : SourceTable
    address : str
        VISA resource string.
    limits : SourceLimits or None
        Narrower limits than those of the table.
    talk : Conversation or None
        None for one of its own.
    """

    def __init__(
        self,
        table: SourceTable,
        address: str,
        limits: SourceLimits | None = None,
        talk: Conversation | None = None,
    ) -> None:
        self._table = table
        super().__init__(talk or Conversation(address, table))
        self._limits = limits or table.limits
        self._prepared = 0
        self._on = False
        self._set: dict[str, float] = {}

    @property
    def table(self) -> SourceTable:
        """Its command table."""
        return self._table

    @property
    def limits(self) -> SourceLimits:
        """Lowest and highest values."""
        return self._limits

    @property
    def output_ohm(self) -> float:
        """Source resistance."""
        return self._table.output_ohm

    @property
    def settle_s(self) -> float:
        """Time to wait after any change."""
        return self._table.settle_s

    @property
    def frequency_hz(self) -> float | None:
        """Frequency last set on this connection, Hz; setting one outside ``limits`` raises InputError."""
        return self._set.get("frequency")

    @frequency_hz.setter
    def frequency_hz(self, value: float) -> None:
        require_within(value, self._limits.frequency_hz, "frequency", "Hz")
        self._change("frequency", value, value)

    @property
    def level_vpp(self) -> float | None:
        """Open-circuit level last set on this connection, V peak to peak; setting one outside raises."""
        return self._set.get("level")

    @level_vpp.setter
    def level_vpp(self, value: float) -> None:
        require_within(value, self._limits.level_vpp, "level", "V peak to peak")
        self._change("level", value, value * self._table.display_share)

    @property
    def offset_v(self) -> float | None:
        """Open-circuit offset last set on this connection, V; setting one outside ``limits`` raises."""
        return self._set.get("offset")

    @offset_v.setter
    def offset_v(self, value: float) -> None:
        require_within(value, self._limits.offset_v, "offset", "V")
        self._change("offset", value, value * self._table.display_share)

    def output_is_on(self) -> bool | None:
        """Ask the instrument; None where its table has no question for it."""
        query = self._table.queries.get("output")
        return None if query is None else self._talk.switch(query)

    def output_on(self) -> None:
        """Switch the output on."""
        self.prepare()
        self._on = True
        self._talk.do("output_on")
        self.check_errors()

    def output_off(self) -> None:
        """Switch the output off and make sure of it, on a new connection where the old one is broken.

        An instrument that answers no more, or only with errors, is told all the same: it may still listen.
        """
        try:
            self._switch_off()
        except InstrumentError:
            # the failure has closed the connection: this is a new one
            try:
                self._switch_off()
            except InstrumentError:
                self._talk.say("output_off")
                raise

    def confirm(self) -> None:
        """Ask whether everything is still as it was set; raises InstrumentError where it is not."""
        lost = ""
        if self._on and self.output_is_on() is False:
            lost = "the output is off, though it was switched on"
        for name in ("frequency", "level"):
            query, value = self._table.queries.get(name), self._set.get(name)
            if query is None or value is None or lost:
                continue
            taken, shown = self._talk.number(query), self._shown_value(name, value)
            if not abs(taken - shown) <= _near(name) * abs(shown):
                lost = f"{name} {taken:.7g} in place of {shown:.7g}"
        if lost:
            self._prepared = 0
            raise InstrumentError(
                "the source is no longer set as it was",
                where=self._talk.address,
                got=lost,
                next_step=LOST_STEP,
            )

    def _shown_value(self, name: str, value: float) -> float:
        return value if name == "frequency" else value * self._table.display_share

    def _switch_off(self) -> None:
        self._on = False
        self._talk.do("output_off")
        if self.output_is_on():
            raise InstrumentError(
                "the output stays on",
                where=self._talk.address,
                next_step="switch it off by hand, at the instrument",
            )
        if "output" not in self._table.queries:
            self._talk.check_errors()  # a command alone is no proof that anyone has heard it

    def prepare(self) -> None:
        """Connect, and set what stays the same, where that has not been done on this connection."""
        self._talk.ready()
        if self._prepared != self._talk.connections:
            self._set.clear()
            self._talk.do("prepare")
            self._talk.do("load.set")
            self._confirm_load()
            self._talk.check_errors()
            self._prepared = self._talk.connections

    def _confirm_load(self) -> None:
        query = self._table.load_check
        if query is not None and not self._talk.switch(query):
            raise InstrumentError(
                "the source's display is not set for the load its command table states",
                where=self._talk.where(query),
                got=repr(self._talk.last[1][:80]),
                allowed=f"a match of {query.yes}",
                next_step="correct [load] in the command table: levels would be off by a factor of two",
            )

    def _change(self, name: str, value: float, shown: float) -> None:
        """Set what is not set yet; ``shown`` is what its display will say."""
        self.prepare()
        if self._set.get(name) == value:
            return
        self._set.pop(name, None)
        if name in self._table.actions or "setup" not in self._table.actions:
            self._talk.do(name, **_shown({name: shown}))
        else:
            self._set_up(name, shown)
        self._read_back(name, shown)
        self._talk.check_errors()
        self._set[name] = value

    def _set_up(self, name: str, shown: float) -> None:
        """Send everything in one line; a level that is not known yet is the lowest there is."""
        share = self._table.display_share
        all_shown = {
            "frequency": self._set.get("frequency", self._limits.frequency_hz[0]),
            "level": self._set.get("level", self._limits.level_vpp[0]) * share,
            "offset": self._set.get("offset", 0.0) * share,
        } | {name: shown}
        self._talk.do("setup", **_shown(all_shown))
        if not self._on:
            self._talk.do("output_off")  # some switch it on with this line

    def _read_back(self, name: str, shown: float) -> None:
        """Ask what was set, where the table has a question for it."""
        query = self._table.queries.get(name)
        if query is None:
            return
        taken = self._talk.number(query)
        if not abs(taken - shown) <= _near(name) * abs(shown):
            raise InstrumentError(
                f"the source has taken another {name} than was set",
                where=self._talk.where(query),
                got=f"{taken:.7g}",
                allowed=f"{shown:.7g}",
                next_step="check limits, unit and load in the command table",
            )


def _near(name: str) -> float:
    return FREQUENCY_NEAR if name == "frequency" else LEVEL_NEAR


def _shown(values: Mapping[str, float]) -> dict[str, float]:
    """Return the fields of a command."""
    fields = {}
    if "frequency" in values:
        fields["frequency_hz"] = values["frequency"]
    if "level" in values:
        vpp = values["level"]
        fields |= {"level_vpp": vpp, "level_vpk": vpp / 2, "level_vrms": vpp / math.sqrt(8)}
    if "offset" in values:
        fields["offset_v"] = values["offset"]
    return fields
