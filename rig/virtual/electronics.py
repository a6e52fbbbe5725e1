"""The instruments' data: what electronics.toml says, typed."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import InputError


@dataclass(frozen=True, slots=True)
class SourceData:
    """The function generator; see electronics.toml for the units in the names."""

    ohm: float
    clock_ppm: float
    gain_error: float
    settle_s: float
    harmonics_db: dict[int, float]
    largest_vpp: float
    smallest_vpp: float
    lowest_hz: float
    highest_hz: float
    pad_db_error: float


@dataclass(frozen=True, slots=True)
class BenchData:
    """Leads, windings side by side, mains."""

    lead_ohm: float
    lead_henry: float
    interwinding_farad: float
    mains_hz: float
    hum_vpk: tuple[float, float]
    hum_third: float


@dataclass(frozen=True, slots=True)
class RangeData:
    """One range of one channel."""

    full_scale_vpp: float
    gain: float
    delay_s: float
    bandwidth_hz: float
    farad: float
    floor_vrms: float

    def response(self, s: ComplexArray) -> ComplexArray:
        """Return reading over input voltage at the complex frequencies s: g e^{−sτ}/(1 + s/ω_b)."""
        return np.asarray(
            self.gain * np.exp(-s * self.delay_s) / (1 + s / (2 * np.pi * self.bandwidth_hz)),
            dtype=np.complex128,
        )


@dataclass(frozen=True, slots=True)
class ChannelData:
    """One channel of the digitizer."""

    zero_steps: float
    bow_steps: float
    ripple_steps: float
    ripple_codes: float
    probe_gain: float
    ranges: tuple[RangeData, ...]

    def nonlinearity(self, codes: FloatArray) -> FloatArray:
        """Return the converter's integral error in steps at a code, float array like ``codes``."""
        x = codes / 128.0
        ripple = self.ripple_steps * np.sin(2 * np.pi * codes / self.ripple_codes)
        return np.asarray(self.bow_steps * (x**2 - 1 / 3) + ripple)

    def nonlinearity_rms(self) -> float:
        """Return its rms over all codes, steps."""
        return float(np.sqrt(np.mean(self.nonlinearity(np.arange(-128.0, 128.0)) ** 2)))


@dataclass(frozen=True, slots=True)
class DigitizerData:
    """What both channels share; ``inputs`` is (Ω, F) by probe ratio."""

    clock_ppm: float
    shortest_interval_s: float
    longest_interval_s: float
    most_points: int
    fewest_points: int
    steps_per_range: int
    noise_steps: float
    ac_corner_hz: float
    largest_offset_ranges: float
    inputs: dict[int, tuple[float, float]]
    channels: tuple[ChannelData, ChannelData]

    def intervals(self) -> FloatArray:
        """Return the sample intervals it has, s, increasing."""
        decades = np.arange(-9, 0)
        every = np.outer(10.0**decades, [1.0, 2.0, 4.0]).ravel()
        inside = (every > 0.999 * self.shortest_interval_s) & (every < 1.001 * self.longest_interval_s)
        return np.asarray(every[inside])


@dataclass(frozen=True, slots=True)
class Electronics:
    """Everything but the cores; ``shunts`` is (Ω, H) by the value printed, ``fixtures`` the standards."""

    source: SourceData
    bench: BenchData
    digitizer: DigitizerData
    shunts: dict[float, tuple[float, float]]
    fixtures: dict[str, dict[str, Any]]

    def shunt(self, printed_ohm: float) -> tuple[float, float]:
        """Return (Ω, H) of a shunt by its printed value; raises InputError when there is none."""
        if printed_ohm not in self.shunts:
            allowed = ", ".join(f"{value:g} ohm" for value in self.shunts)
            raise InputError("no such shunt", where="shunt", got=f"{printed_ohm:g} ohm", allowed=allowed)
        return self.shunts[printed_ohm]


@cache
def electronics() -> Electronics:
    """Return the data of electronics.toml."""
    text = resources.files(__package__).joinpath("electronics.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    source = data["source"]
    source["harmonics_db"] = {int(k): v for k, v in source["harmonics_db"].items()}
    bench = dict(data["bench"], hum_vpk=tuple(data["bench"]["hum_vpk"]))
    return Electronics(
        source=SourceData(**source),
        bench=BenchData(**bench),
        digitizer=_digitizer(data["digitizer"]),
        shunts={float(k): (v["ohm"], v["henry"]) for k, v in data["shunts"].items()},
        fixtures=data["fixtures"],
    )


def _digitizer(table: dict[str, Any]) -> DigitizerData:
    inputs = {int(k): (v["ohm"], v["farad"]) for k, v in table.pop("input").items()}
    first, second = (_channel(channel) for channel in table.pop("channel"))
    return DigitizerData(**table, inputs=inputs, channels=(first, second))


def _channel(table: dict[str, Any]) -> ChannelData:
    ranges = tuple(RangeData(*row) for row in table.pop("ranges"))
    return ChannelData(**table, ranges=ranges)
