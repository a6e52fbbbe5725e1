"""A scope that hands out its whole record in volts, as floating point numbers of four bytes."""

from __future__ import annotations

from whichcore.rig.virtual.bench import Bench
from whichcore.rig.virtual.dialects.scope import (
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
from whichcore.rig.virtual.scpi import MEASURING, WAITING, Command, ScpiError, Suffixes, Waveform, word

IDENTITY = "Workshop,Scope of volts,0014,1.0"


class VoltsScope(Scope):
    """See the exchanges of the family ``volts-block``; it triggers by itself."""

    def __init__(self, bench: Bench) -> None:
        self._kind = "<f4"
        super().__init__(bench, IDENTITY, Screen(horizontal_divisions=12, depth=12_000, steps_per_range=250))

    def commands(self) -> tuple[Command, ...]:
        """Return the commands."""
        return (
            Command("ACQuire:TYPE", chosen_word("REFResh", "REFR")),
            Command("ACQuire:POINts", of_value(self.set_depth), told(lambda: str(self.depth))),
            Command("ACQuire:SRATe", ask=told(lambda: f"{1 / self.interval_s:.3E}")),
            Command("TRIGger:A:MODE", chosen_word("AUTO")),
            Command("FORMat[:DATA]", self._set_format),
            Command("FORMat:BORDer", self._set_order),
            Command("TIMebase:SCALe", of_value(self.set_division_s), told(lambda: f"{self.division_s:.3E}")),
            Command("CHANnel#:STATe", chosen_word("ON", "1")),
            Command("CHANnel#:BANDwidth", chosen_word("FULL")),
            Command("CHANnel#:COUPling", self._set_coupling),
            Command("CHANnel#:OFFSet", of_channel(self.set_offset), told_of_channel(self._offset)),
            Command("CHANnel#:RANGe", of_channel(self.set_full_scale), told_of_channel(self._range)),
            Command("CHANnel#:DATA:POINts", chosen_word("DMAX")),
            Command("CHANnel#:DATA:HEADer", ask=told_of_channel(lambda _: self._header())),
            Command("CHANnel#:DATA:YINCrement", ask=told_of_channel(lambda c: f"{self.step_v(c):.3E}")),
            Command("CHANnel#:DATA[:VALues]", ask=told_of_channel(self._data)),
            Command(
                "PROBe#:SETup:ATTenuation:MANual",
                of_channel(self.set_attenuation),
                told_of_channel(lambda c: f"{self.front(c).attenuation:.2E}"),
            ),
            Command("RUN", plain(self.stop)),
            Command("STOP", plain(self.stop)),
            Command("SINGle", plain(self._single)),
            Command("STATus:OPERation:CONDition", ask=told(self._operation)),
        )

    def finish(self) -> None:
        """Wait for the end of the record; where the trigger is lost it is awaited."""
        while self.waiting and not self._bench.closing.wait(0.02):
            self.force()
        self._bench.wait()

    def _single(self) -> None:
        self.single()
        self.force()

    def _operation(self) -> str:
        if self.waiting:
            return str(WAITING)
        return str(0 if self.complete else MEASURING)

    def _set_format(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        if [argument.upper() for argument in arguments] != ["REAL", "32"]:
            raise ScpiError(-224, ",".join(arguments))

    def _set_order(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        self._kind = "<f4" if word(arguments, "LSBFirst", "MSBFirst") == "LSBFirst" else ">f4"

    def _set_coupling(self, suffixes: Suffixes, arguments: list[str]) -> None:
        kind = word(arguments, "DCLimit", "ACLimit")
        self.set_coupling(channel(suffixes), alternating=kind == "ACLimit")

    def _offset(self, index: int) -> str:
        return f"{self.front(index).offset_v:.3E}"

    def _range(self, index: int) -> str:
        return f"{self.full_scale_v(index):.3E}"

    def _header(self) -> str:
        half = self.depth * self.interval_s / 2
        return f"{-half:.4E},{half - self.interval_s:.4E},{self.depth},1"

    def _data(self, index: int) -> Waveform:
        data = self.volts(index).astype(self._kind).tobytes()
        return Waveform(data, item_bytes=4)
