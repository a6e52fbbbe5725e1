"""Name a magnetic core from its impedance sweep, with an honest uncertainty.

The public functions are imported on first use, so that the command line answers before numpy is loaded.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from whichcore.analysis.identify import identify
    from whichcore.files import load_specimen, load_sweep
    from whichcore.libraries import load_library

__all__ = ["identify", "load_library", "load_specimen", "load_sweep"]

_HOMES = {
    "identify": "whichcore.analysis.identify",
    "load_library": "whichcore.libraries",
    "load_specimen": "whichcore.files",
    "load_sweep": "whichcore.files",
}


def __getattr__(name: str) -> Any:
    """Import a public function on first use."""
    if name not in _HOMES:
        raise AttributeError(f"module 'whichcore' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
