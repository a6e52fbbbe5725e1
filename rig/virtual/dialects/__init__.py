"""The languages of the virtual instruments, by the name of the command table that speaks to each."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from whichcore.rig.virtual.bench import Bench
from whichcore.rig.virtual.dialects.dds_board import AnsweringBoard, MuteBoard
from whichcore.rig.virtual.dialects.inline import InlineScope
from whichcore.rig.virtual.dialects.keyed import KeyedSource
from whichcore.rig.virtual.dialects.one_line import OneLineSource
from whichcore.rig.virtual.dialects.prefixed import PrefixedScope
from whichcore.rig.virtual.dialects.separate import SeparateScope
from whichcore.rig.virtual.dialects.ten_field import TenFieldScope
from whichcore.rig.virtual.dialects.volts import VoltsScope
from whichcore.rig.virtual.digitizer import VirtualDigitizer
from whichcore.rig.virtual.scpi import Instrument
from whichcore.rig.virtual.source import VirtualSource

Maker = Callable[[Bench], Instrument]

USUAL_SOURCE, USUAL_DIGITIZER = "scpi-source", "scpi-digitizer"
SOURCES: Mapping[str, Maker] = {
    USUAL_SOURCE: VirtualSource,
    "one-line-source": OneLineSource,
    "keyed-source": KeyedSource,
    "serial-answering": AnsweringBoard,
    "serial-mute": MuteBoard,
}
DIGITIZERS: Mapping[str, Maker] = {
    USUAL_DIGITIZER: VirtualDigitizer,
    "ten-field-preamble": TenFieldScope,
    "separate-scaling": SeparateScope,
    "prefixed-reply": PrefixedScope,
    "volts-block": VoltsScope,
    "inline-header": InlineScope,
}
