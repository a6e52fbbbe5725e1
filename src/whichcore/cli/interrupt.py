"""Stopping: SIGTERM and SIGHUP act like Ctrl-C, and none of them is lost."""

from __future__ import annotations

import signal
import sys
from types import FrameType

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")
_asked: list[int] = []


def listen() -> None:
    """Let the signals stop the program, but for those that it was started to ignore (nohup)."""
    for name in _SIGNALS:
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, stop)
    before = sys.unraisablehook

    def quiet(unraisable: sys.UnraisableHookArgs) -> None:
        if not issubclass(unraisable.exc_type, KeyboardInterrupt):
            before(unraisable)

    sys.unraisablehook = quiet


def stop(number: int, _frame: FrameType | None) -> None:
    """Note the wish to stop and interrupt what is running.

    Raises
    ------
    KeyboardInterrupt
        Always. Python drops it where it strikes a finaliser or a callback of a library; therefore `check`.
    """
    _asked.append(number)
    raise KeyboardInterrupt


def check() -> None:
    """Stop here if a wish to stop was noted and got lost.

    Raises
    ------
    KeyboardInterrupt
        It was.
    """
    if _asked:
        _asked.clear()
        raise KeyboardInterrupt
