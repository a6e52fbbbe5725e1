"""Where the process enters: streams and signals are made ready, then the command runs."""

from __future__ import annotations

import io
import signal
import sys
from types import FrameType

from whichcore.cli.root import root

_LIKE_CTRL_C = ("SIGTERM", "SIGHUP")


def main() -> None:
    """Run the command named on the command line and leave the process with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # a file name that is no text at all still prints, with its bytes spelt out
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")
    for name in _LIKE_CTRL_C:
        number = getattr(signal, name, None)
        # one that was told to be ignored (nohup) stays ignored
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _interrupt)
    root.main(prog_name="whichcore")


def _interrupt(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt
