"""Stopping: SIGTERM and SIGHUP act like Ctrl-C, and none of them is lost."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from types import FrameType

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")
_asked: list[int] = []
_gently: list[threading.Event] = []


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
    """Note the wish to stop and interrupt what is running; work that can end by itself is told to, once.

    Raises
    ------
    KeyboardInterrupt
        Always. Python drops it where it strikes a finaliser or a callback of a library; therefore `check`.
    """
    if _gently and not _gently[-1].is_set():
        _gently[-1].set()
        return
    _asked.append(number)
    raise KeyboardInterrupt


@contextlib.contextmanager
def gently(cancel: threading.Event) -> Iterator[None]:
    """Let the first wish to stop set an event, so that an exchange with an instrument is not cut in two.

    A second wish interrupts.
    """
    _gently.append(cancel)
    try:
        yield
    finally:
        _gently.remove(cancel)


@contextlib.contextmanager
def at_once() -> Iterator[None]:
    """Let a wish to stop interrupt again, as while a person is waited for."""
    kept = _gently.copy()
    _gently.clear()
    try:
        yield
    finally:
        _gently.extend(kept)


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
