"""The digitizer's commands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from whichcore.rig.virtual.bench import Bench, ChannelFront, DigitizerFront
from whichcore.rig.virtual.electronics import electronics
from whichcore.rig.virtual.scpi import (
    MEASURING,
    WAITING,
    Command,
    Instrument,
    ScpiError,
    Suffixes,
    Waveform,
    number,
    word,
)

IDENTITY = "Workshop,Virtual Digitizer,0002,1.0"
ATTENUATIONS = (0.1, 1000.0)


class VirtualDigitizer(Instrument):
    """Two channels of eight bits that sample at the same instants."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        super().__init__("digitizer", IDENTITY, bench.faults)

    def reset(self) -> None:
        """Stop, and set everything back."""
        self._bench.abort()
        self._bench.change(digitizer=DigitizerFront())

    def finish(self) -> None:
        """Wait for the end of the acquisition."""
        self._bench.wait()

    def commands(self) -> tuple[Command, ...]:
        """Return the commands."""
        return (
            Command("[SENSe:]SWEep:POINts", self._set_points, self._points),
            Command("[SENSe:]SWEep:TINTerval", self._set_interval, self._interval),
            Command("[SENSe:]VOLTage#[:DC]:RANGe[:UPPer]", self._set_range, self._range),
            Command("[SENSe:]VOLTage#[:DC]:OFFSet", self._set_offset, self._offset),
            Command("[SENSe:]VOLTage#[:DC]:SCALe", ask=self._scale),
            Command("[SENSe:]VOLTage#[:DC]:ZERO", ask=self._offset),
            Command("INPut#:COUPling", self._set_coupling, self._coupling),
            Command("INPut#:ATTenuation", self._set_attenuation, self._attenuation),
            Command("INITiate[:IMMediate]", self._initiate),
            Command("STATus:OPERation:CONDition", ask=self._operation),
            Command("ABORt", lambda _s, _a: self._bench.abort()),
            Command("FORMat[:DATA]", self._set_format, lambda _s, _a: "INT,8"),
            Command("TRACe[:DATA]", ask=self._trace),
        )

    def _set_points(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        data = electronics().digitizer
        value = number(arguments, data.fewest_points, data.most_points)
        self._change(points=round(value))

    def _points(self, _suffixes: Suffixes, arguments: list[str]) -> str:
        data = electronics().digitizer
        if arguments:
            limit = word(arguments, "MINimum", "MAXimum")
            return str(data.fewest_points if limit == "MINimum" else data.most_points)
        return str(self._bench.digitizer.points)

    def _set_interval(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        """Take the nearest interval there is."""
        every = electronics().digitizer.intervals()
        value = number(arguments, float(every[0]), float(every[-1]))
        self._change(interval_s=float(every[np.argmin(np.abs(every - value))]))

    def _interval(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        return f"{self._bench.digitizer.interval_s:.9E}"

    def _set_range(self, suffixes: Suffixes, arguments: list[str]) -> None:
        """Take the smallest range that holds so much, as the probe ratio shows it."""
        index = _channel(suffixes)
        front = self._front(index)
        scales = [row.full_scale_vpp for row in electronics().digitizer.channels[index].ranges]
        value = number(arguments, 0.0, scales[-1] * front.attenuation) / front.attenuation
        chosen = next(k for k, scale in enumerate(scales) if scale >= value * (1 - 1e-9))
        self._change_channel(index, replace(front, range_index=chosen))

    def _range(self, suffixes: Suffixes, _arguments: list[str]) -> str:
        index = _channel(suffixes)
        return f"{self._bench.channel(index).range_data.full_scale_vpp * self._front(index).attenuation:.9E}"

    def _set_offset(self, suffixes: Suffixes, arguments: list[str]) -> None:
        index = _channel(suffixes)
        front = self._front(index)
        scale = self._bench.channel(index).range_data.full_scale_vpp * front.attenuation
        limit = electronics().digitizer.largest_offset_ranges * scale
        self._change_channel(index, replace(front, offset_v=number(arguments, -limit, limit)))

    def _offset(self, suffixes: Suffixes, _arguments: list[str]) -> str:
        return f"{self._front(_channel(suffixes)).offset_v:.9E}"

    def _scale(self, suffixes: Suffixes, _arguments: list[str]) -> str:
        index = _channel(suffixes)
        return f"{self._bench.channel(index).step_v * self._front(index).attenuation:.9E}"

    def _set_coupling(self, suffixes: Suffixes, arguments: list[str]) -> None:
        index = _channel(suffixes)
        alternating = word(arguments, "AC", "DC") == "AC"
        self._change_channel(index, replace(self._front(index), alternating=alternating))

    def _coupling(self, suffixes: Suffixes, _arguments: list[str]) -> str:
        return "AC" if self._front(_channel(suffixes)).alternating else "DC"

    def _set_attenuation(self, suffixes: Suffixes, arguments: list[str]) -> None:
        """Scale what is shown; the probe itself is a matter of hands."""
        index = _channel(suffixes)
        front = self._front(index)
        value = number(arguments, *ATTENUATIONS)
        offset = front.offset_v / front.attenuation * value
        self._change_channel(index, replace(front, attenuation=value, offset_v=offset))

    def _attenuation(self, suffixes: Suffixes, _arguments: list[str]) -> str:
        return f"{self._front(_channel(suffixes)).attenuation:.6E}"

    def _initiate(self, _suffixes: Suffixes, _arguments: list[str]) -> None:
        if not self._bench.start():
            raise ScpiError(-213)

    def _operation(self, _suffixes: Suffixes, _arguments: list[str]) -> str:
        if self._bench.untriggered():
            return str(WAITING)
        return str(MEASURING if self._bench.running() else 0)

    def _set_format(self, _suffixes: Suffixes, arguments: list[str]) -> None:
        if len(arguments) > 1 and arguments[1] != "8":
            raise ScpiError(-224, arguments[1])
        word(arguments[:1], "INTeger")

    def _trace(self, _suffixes: Suffixes, arguments: list[str]) -> Waveform:
        codes = self._bench.codes(int(word(arguments, "CHANnel1", "CHANnel2")[-1]) - 1)
        if codes is None:
            raise ScpiError(-230, "no complete record")
        return Waveform(codes.tobytes())

    def _front(self, index: int) -> ChannelFront:
        return self._bench.digitizer.channels[index]

    def _change(self, **fields: float) -> None:
        self._refuse_while_running()
        self._bench.change(digitizer=replace(self._bench.digitizer, **fields))  # type: ignore[arg-type]

    def _change_channel(self, index: int, front: ChannelFront) -> None:
        self._refuse_while_running()
        first, second = self._bench.digitizer.channels
        channels = (front, second) if index == 0 else (first, front)
        self._bench.change(digitizer=replace(self._bench.digitizer, channels=channels))

    def _refuse_while_running(self) -> None:
        if self._bench.running():
            raise ScpiError(-221, "an acquisition runs")


def _channel(suffixes: Suffixes) -> int:
    """Return the index of the channel a header names."""
    if suffixes[0] not in {1, 2}:
        raise ScpiError(-114, str(suffixes[0]))
    return suffixes[0] - 1
