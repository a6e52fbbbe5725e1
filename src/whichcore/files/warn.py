"""The one way the readers tell the user something that is no error."""

from __future__ import annotations

import warnings

from whichcore.errors import WhichcoreWarning


def warn(message: str) -> None:
    """Emit a :class:`~whichcore.errors.WhichcoreWarning`; the command line collects and prints them."""
    warnings.warn(message, WhichcoreWarning, stacklevel=3)
