"""How long a source just changed is still to be waited for, while other things are done."""

from __future__ import annotations

import threading
import time

from whichcore.errors import Cancelled


class Settling:
    """The moment from which the source counts as settled.

    Parameters
    ----------
    cancel : threading.Event
        Ends a wait.
    """

    def __init__(self, cancel: threading.Event) -> None:
        self._cancel, self._until = cancel, 0.0

    def begin(self, seconds: float) -> None:
        """Count from now; what was changed before is waited for as well."""
        self._until = max(self._until, time.monotonic() + seconds)

    def wait(self) -> None:
        """Wait for what is left; raises Cancelled when asked to stop."""
        if self._cancel.wait(max(self._until - time.monotonic(), 0.0)):
            raise stopped()


def stopped() -> Cancelled:
    """Return what is raised by a sweep that was asked to stop."""
    return Cancelled("the sweep was stopped", next_step="the same command takes it up again")
