"""What a calibration belongs to, and the refusal of any other set-up."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, fields

from whichcore.analysis.types import Wiring
from whichcore.errors import CalibrationError

_RANGE_FIELDS = ("range_a", "range_b")


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """Everything that must stay as it was for a calibration to hold.

    Every range of a channel has its own gain, delay and capacitance, and so has every coupling, bandwidth
    limit, probe and cable; a change of any of them changes the error model.

    Attributes
    ----------
    wiring : Wiring
    range_a, range_b : str
        Range of each channel, as the instrument names it.
    coupling, bandwidth_limit : str
        Settings common to both channels.
    probe_ratio_a, probe_ratio_b : float
        1 for a direct cable.
    shunt, cables, fixture, instruments : str
        Names of the parts, as the shop labels them.
    """

    wiring: Wiring
    range_a: str = ""
    range_b: str = ""
    coupling: str = ""
    bandwidth_limit: str = ""
    probe_ratio_a: float = 1.0
    probe_ratio_b: float = 1.0
    shunt: str = ""
    cables: str = ""
    fixture: str = ""
    instruments: str = ""

    def check(self, other: Fingerprint, *, tied_ranges: Collection[tuple[str, str]] = ()) -> None:
        """Refuse a set-up this calibration was not taken with.

        Parameters
        ----------
        other : Fingerprint
            The set-up in use now.
        tied_ranges : collection of (str, str)
            Pairs (range A, range B) whose factor to the calibrated pair was measured.

        Raises
        ------
        CalibrationError
            Naming every field that differs, with both values.
        """
        differing = [
            item.name for item in fields(self) if getattr(self, item.name) != getattr(other, item.name)
        ]
        if (other.range_a, other.range_b) in tied_ranges:
            differing = [name for name in differing if name not in _RANGE_FIELDS]
        if not differing:
            return
        named = [name.replace("_", " ") for name in differing]
        raise CalibrationError(
            "this calibration was taken with another set-up",
            where=", ".join(named),
            got=", ".join(
                f"{label} {getattr(other, name)}" for label, name in zip(named, differing, strict=True)
            ),
            allowed=", ".join(
                f"{label} {getattr(self, name)}" for label, name in zip(named, differing, strict=True)
            ),
            next_step="set the bench as it was, measure the range factor where only a range differs, or "
            "calibrate anew",
        )

    def to_dict(self) -> dict[str, str]:
        """Return the fields as text."""
        return {item.name: str(getattr(self, item.name)) for item in fields(self)}

    @classmethod
    def from_dict(cls, data: dict[str, str]) -> Fingerprint:
        """Rebuild from :meth:`to_dict`; raises CalibrationError where a field is missing, unknown or bad."""
        names = {item.name for item in fields(cls)}
        wrong = sorted(names.symmetric_difference(data))
        if wrong:
            raise CalibrationError(
                "the fingerprint does not hold the fields it should",
                where="fingerprint",
                got=", ".join(wrong),
                allowed=", ".join(sorted(names)),
                next_step="calibrate anew",
            )
        text = {
            name: value for name, value in data.items() if not name.startswith("probe") and name != "wiring"
        }
        try:
            wiring = Wiring(data["wiring"])
            ratio_a, ratio_b = float(data["probe_ratio_a"]), float(data["probe_ratio_b"])
        except ValueError as error:
            raise CalibrationError(
                "the fingerprint holds a value that cannot be read", where="fingerprint", got=str(error)
            ) from error
        return cls(wiring=wiring, probe_ratio_a=ratio_a, probe_ratio_b=ratio_b, **text)
