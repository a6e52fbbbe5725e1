"""The bench as the user describes it in ``bench.toml``, and its instruments opened for use.

The file is described in ``docs/reference/bench-file.md``.
"""

from whichcore.bench.load import BenchSettings, find_bench, load_bench
from whichcore.bench.opening import OpenBench, open_bench
from whichcore.bench.parts import ChannelInput
from whichcore.bench.virtual_fronts import VIRTUAL

__all__ = ["VIRTUAL", "BenchSettings", "ChannelInput", "OpenBench", "find_bench", "load_bench", "open_bench"]
