"""What a person at the bench is told before a part is fitted, on a terminal and on the page."""

from __future__ import annotations

CAUTION = (
    "Caution: the ground clips of most scopes are joined to mains earth; put them on the common ground "
    "alone. Fit parts that are cold and discharged."
)
FIT = {
    "tied": "put both channels on the node of channel A, with nothing at the terminals",
    "open": "leave the terminals open, with the open standard if there is one",
}


def what_to_fit(name: str) -> str:
    """Return what is to be done for a fixture, as the end of a sentence."""
    return FIT.get(name, f"fit the {name}")
