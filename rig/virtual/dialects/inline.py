"""A scope that puts everything it knows of a record in front of its block, in the same answer."""

from __future__ import annotations

from whichcore.rig.virtual.bench import Bench
from whichcore.rig.virtual.dialects.scope import (
    VERTICAL_DIVISIONS,
    Scope,
    Screen,
    channel,
    chosen_word,
    of_channel,
    of_value,
    plain,
    told,
    told_of_channel,
)
from whichcore.rig.virtual.faults import FaultKind
from whichcore.rig.virtual.scpi import Command, Suffixes, Waveform, word

IDENTITY = "Workshop,Scope of inline headers,0015,1.0"


class InlineScope(Scope):
    """See the exchanges of the family ``inline-header``."""

    def __init__(self, bench: Bench) -> None:
        self._headers = True
        super().__init__(bench, IDENTITY, Screen(horizontal_divisions=10, depth=10_000))

    def commands(self) -> tuple[Command, ...]:
        """Return the commands."""
        return (
            Command("HEADer", self._set_headers),
            Command("ACQuire:MODe", chosen_word("SAMPle", "SAMP")),
            Command("ACQuire:RECOrdlength", of_value(self.set_depth), told(lambda: str(self.depth))),
            Command("ACQuire#:STATe", ask=told_of_channel(lambda _: "1" if self.complete else "0")),
            Command("ACQuire#:MEMory", ask=told_of_channel(self._memory)),
            Command("TIMebase:SCALe", of_value(self.set_division_s), told(lambda: f"{self.division_s:.3E}")),
            Command("CHANnel#:DISPlay", chosen_word("ON")),
            Command("CHANnel#:BWLimit", chosen_word("FULL")),
            Command("CHANnel#:POSition", chosen_word("0")),
            Command("CHANnel#:COUPling", self._set_coupling),
            Command("CHANnel#:PROBe:RATio", of_channel(self.set_attenuation), told_of_channel(self._probe)),
            Command("CHANnel#:SCALe", of_channel(self._set_scale), told_of_channel(self._scale)),
            Command("RUN", plain(self.stop)),
            Command("STOP", plain(self.stop)),
            Command("SINGle", plain(self.single)),
            Command("FORCe", plain(self.force)),
        )

    def _set_headers(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        self._headers = word(arguments, "ON", "OFF") == "ON"

    def _next_error(self) -> str:
        if self.faults.find(FaultKind.ENDLESS_ERRORS, self.name):
            return super()._next_error()
        errors = self.take_errors(1)
        return f'{errors[0][0]},"{errors[0][1]}"' if errors else '+0,"No error."'

    def _set_coupling(self, suffixes: Suffixes, arguments: list[str]) -> None:
        self.set_coupling(channel(suffixes), alternating=word(arguments, "AC", "DC") == "AC")

    def _probe(self, index: int) -> str:
        return f"{self.front(index).attenuation:.3e}"

    def _set_scale(self, index: int, volts: float) -> None:
        self.set_full_scale(index, VERTICAL_DIVISIONS * volts)

    def _scale(self, index: int) -> str:
        return f"{self.full_scale_v(index) / VERTICAL_DIVISIONS:.3E}"

    def _memory(self, index: int) -> Waveform:
        codes = self.codes(index).astype(">i2")
        fields = {
            "Format": "2.0",
            "Memory Length": f"{len(codes)}",
            "Source": f"CH{index + 1}",
            "Probe": f"{self.front(index).attenuation:.3e}",
            "Vertical Units": "V",
            "Vertical Scale": f"{self.full_scale_v(index) / VERTICAL_DIVISIONS:.3e}",
            "Vertical Position": f"{self.front(index).offset_v:.3e}",
            "Horizontal Units": "S",
            "Horizontal Scale": f"{self.division_s:.3e}",
            "Sampling Period": f"{self.interval_s:.3e}",
        }
        head = "".join(f"{key},{value};" for key, value in fields.items()) + "Waveform Data;\n"
        return Waveform(codes.tobytes(), item_bytes=2, before=head if self._headers else "")
