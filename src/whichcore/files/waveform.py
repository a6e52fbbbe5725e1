"""A record of one or more channels as it stands in a file, whatever wrote it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from whichcore.errors import InputError


@dataclass(frozen=True, slots=True)
class Waveform:
    """Channels of one file, sampled at the same instants; volts = samples × ``volts_per_code``.

    Attributes
    ----------
    path : Path
    names : tuple of str
        Of the channels, as the file has them.
    samples : int or float array (C, N)
        Codes, or volts with a ``volts_per_code`` of 1.
    interval_s : float
    volts_per_code : tuple of float
    step_codes : tuple of float
        Step of the converter in codes; 0 where none is seen.
    clip_codes : tuple of (float, float)
        Rails of each channel; infinite where the file does not tell.
    ranges : tuple of str
        Vertical setting of each channel as the file states it, else empty.
    notes : tuple of str
        What had to be found out about the file.
    """

    path: Path
    names: tuple[str, ...]
    samples: NDArray[Any]
    interval_s: float
    volts_per_code: tuple[float, ...]
    step_codes: tuple[float, ...]
    clip_codes: tuple[tuple[float, float], ...]
    ranges: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def place(self, channel: int | str) -> int:
        """Return where a channel stands, by its number from 1 or by its name.

        Raises
        ------
        InputError
            There is none.
        """
        if isinstance(channel, int) and 1 <= channel <= len(self.names):
            return channel - 1
        wanted = str(channel).strip().casefold()
        found = [place for place, name in enumerate(self.names) if name.casefold() == wanted]
        if len(found) == 1:
            return found[0]
        raise InputError(
            "the file has no such channel",
            where=str(self.path),
            got=str(channel),
            allowed=", ".join(f"{place} ({name})" for place, name in enumerate(self.names, 1)),
            next_step="save both channels into the file, or name one of these under channels",
        )
