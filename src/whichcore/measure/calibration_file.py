"""A calibration on the disk: written whole or not at all, read back only if nothing in it has changed."""

from __future__ import annotations

import hashlib
import io
import json
import struct
import tokenize
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.types import FloatArray
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.interpolation import INTERPOLATION
from whichcore.calibration.models import model_from_dict
from whichcore.errors import CalibrationError, InputError
from whichcore.files import home_folder, make_folder
from whichcore.files.text import write_bytes
from whichcore.files.warn import warn
from whichcore.measure.channel_ranges import ChannelRanges
from whichcore.measure.correction import Correction
from whichcore.wording import in_percent

FORMAT = "whichcore-calibration-file 1"
OLD_DAYS = 7.0  # practice: contacts and shunts move within a week or two of use
WARMER_K = 5.0  # practice
ROUNDING = 1e-6  # of a frequency as typed
SAME = 1e-4  # of a frequency: near enough to a calibrated one to take that instead
DENSER = 1.05  # times the calibration's density, from which on a sweep is read between its points
SHOWN_OHM = (1.0, 10.0, 100.0, 1000.0)
_RANGE = "range:"
_HEADER, _SUM = "header", "checksum"


@dataclass(frozen=True, slots=True)
class StoredCalibration:
    """A calibration with what was noted when it was taken.

    Attributes
    ----------
    model : ErrorModel
    ranges : ChannelRanges
    header : mapping of str to object
        ``bench``, ``started`` (ISO 8601, UTC), ``temperature_c``, ``duration_s``.
    """

    model: ErrorModel
    ranges: ChannelRanges
    header: Mapping[str, Any] = field(default_factory=dict)

    @property
    def correction(self) -> Correction:
        """The ``correct`` callable of a sweep."""
        return Correction(self.model, self.ranges)

    def age_days(self, now: datetime | None = None) -> float:
        """Return the age in days; raises CalibrationError where the header tells none."""
        try:
            started = datetime.fromisoformat(str(self.header.get("started")))
            passed = (now or datetime.now(UTC)) - started
        except (ValueError, TypeError) as error:
            raise _corrupt("header", f"started: {self.header.get('started')}") from error
        return passed.total_seconds() / 86400

    def check(self, fingerprint: Fingerprint, temperature_c: float | None = None) -> None:
        """Refuse another set-up; warn of age and of another temperature.

        Raises
        ------
        CalibrationError
            Naming what differs.
        """
        self.model.fingerprint.check(fingerprint)
        days = self.age_days()
        if days > OLD_DAYS:
            warn(f"the calibration is {days:.0f} days old; calibrate again, or check it with a known part")
        then = self.header.get("temperature_c")
        if then is not None and temperature_c is not None and abs(then - temperature_c) > WARMER_K:
            warn(f"the calibration was taken at {then:g} °C, the specimen is at {temperature_c:g} °C")

    def grid(self, from_hz: float | None, to_hz: float | None, per_decade: int | None) -> tuple[float, ...]:
        """Return the frequencies of a sweep: those of the calibration, or a denser row within its band.

        Without ``per_decade`` all calibrated ones; with one below the calibration's own density those nearest
        to equal ratios; with a higher one equal ratios, most of them between calibrated frequencies.

        Raises
        ------
        CalibrationError
            The band leaves that of the calibration.
        InputError
            No frequency is left, or a number of points below one.
        """
        own = self.model.frequency_hz
        low, high = (own[0] if from_hz is None else from_hz), (own[-1] if to_hz is None else to_hz)
        if low < own[0] * (1 - ROUNDING) or high > own[-1] * (1 + ROUNDING):
            raise CalibrationError(
                "the band leaves that of the calibration",
                where="from, to",
                got=f"{low:g} Hz to {high:g} Hz",
                allowed=f"{own[0]:g} Hz to {own[-1]:g} Hz",
                next_step="calibrate the wider band, or narrow the sweep",
            )
        inside = own[(own >= low * (1 - ROUNDING)) & (own <= high * (1 + ROUNDING))]
        if per_decade is not None and per_decade > DENSER * _density(own) and low < high:
            return _between(own, max(low, own[0]), min(high, own[-1]), per_decade)
        if inside.size == 0 or (per_decade is not None and per_decade < 1):
            raise InputError(
                "no frequency of the calibration is left",
                where="from, to, points per decade",
                got=f"{low:g} Hz to {high:g} Hz",
                allowed="from below to, with one calibrated frequency between them at least",
                next_step="widen the band, or ask for more points per decade than the calibration has",
            )
        if per_decade is None or inside.size == 1:
            return tuple(inside.tolist())
        count = max(2, round(per_decade * np.log10(inside[-1] / inside[0])) + 1)
        wanted = np.linspace(np.log(inside[0]), np.log(inside[-1]), count)
        nearest = np.abs(np.log(inside)[None, :] - wanted[:, None]).argmin(axis=1)
        return tuple(inside[np.unique(nearest)].tolist())

    def at(self, frequency_hz: Sequence[float]) -> StoredCalibration:
        """Return the calibration on the frequencies of a sweep; one warning where it is read between its own.

        Raises
        ------
        CalibrationError
            Outside the band, or where calibrated frequencies are too far apart.
        """
        model = self.model.on(np.array(frequency_hz, dtype=float))
        between = model.details.get("interpolated")
        if between is None:
            return replace(self, model=model)
        share, ohm, hertz = _added(model)
        warn(
            f"{int(between.sum())} of {between.size} frequencies lie between calibrated ones; reading the "
            f"calibration there adds up to {in_percent(share)} of |Z| (at {ohm:g} ohm, {hertz:g} Hz), stated "
            "with each point"
        )
        return replace(self, model=model)


def _density(own: FloatArray) -> float:
    """Return points per decade; infinite for one point, which nothing lies beside."""
    return float((own.size - 1) / np.log10(own[-1] / own[0])) if own.size > 1 else float("inf")


def _between(own: FloatArray, low: float, high: float, per_decade: int) -> tuple[float, ...]:
    """Return equal ratios from low to high, calibrated frequencies where they agree with them."""
    count = max(1, int(np.ceil(per_decade * np.log10(high / low) - 1e-9))) + 1
    wanted = np.array([float(f"{f:.6g}") for f in np.geomspace(low, high, count)])
    nearest = own[np.abs(np.log(own)[None, :] - np.log(wanted)[:, None]).argmin(axis=1)]
    same = np.abs(wanted / nearest - 1) < SAME
    return tuple(np.unique(np.where(same, nearest, np.clip(wanted, own[0], own[-1]))).tolist())


def _added(model: ErrorModel) -> tuple[float, float, float]:
    """Return the largest uncertainty that the interpolation adds to a reactance, over |Z|; its Ω and Hz."""
    found = []
    for ohm in SHOWN_OHM:
        z = np.full(model.frequency_hz.shape, 1j * ohm)
        sources = [s for s in model.correct(model.embed(z)).sources if INTERPOLATION in s.id]
        variance = sum((np.abs(s.sensitivity) ** 2 for s in sources), np.zeros(z.size)) / 2
        worst = int(np.argmax(variance))
        found.append((float(np.sqrt(variance[worst])) / ohm, ohm, float(model.frequency_hz[worst])))
    return max(found)


def calibration_folder() -> Path:
    """Return the folder of calibrations in the user's data folder; it need not exist."""
    return home_folder() / "calibrations"


def usual_path(stored: StoredCalibration) -> Path:
    """Return where a calibration is kept when nothing else is said: one place for each set-up."""
    name = f"{stored.header.get('bench', 'bench')}-{_digest(stored.model.fingerprint)}.npz"
    return calibration_folder() / name


def newest_calibration(bench: str, fingerprint: Fingerprint) -> Path:
    """Return where the calibration of a set-up is kept.

    Raises
    ------
    CalibrationError
        There is none; others of this bench are named.
    """
    folder = calibration_folder()
    place = folder / f"{bench}-{_digest(fingerprint)}.npz"
    if place.is_file():
        return place
    others = len(list(folder.glob(f"{bench}-*.npz"))) if folder.is_dir() else 0
    raise CalibrationError(
        "there is no calibration for this set-up",
        where=str(folder),
        got=f"{others} of other set-ups" if others else "none",
        next_step="run whichcore calibrate, or name one with --calibration",
    )


def save_calibration(stored: StoredCalibration, path: Path | None = None) -> Path:
    """Write a calibration, whole or not at all; an older one of this name is replaced.

    Raises
    ------
    InputError
        The place cannot be written.
    """
    place = usual_path(stored) if path is None else path
    if path is None:
        make_folder(place.parent)
    arrays = dict(stored.model.to_dict())
    arrays |= {_RANGE + name: value for name, value in stored.ranges.to_dict().items()}
    header = {"format": FORMAT, **stored.header, "fingerprint": stored.model.fingerprint.to_dict()}
    arrays[_HEADER] = np.array(json.dumps(header, sort_keys=True))
    arrays[_SUM] = np.array(_checksum(arrays))
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)  # type: ignore[arg-type]  # the stub takes array names for flags
    write_bytes(place, buffer.getvalue())
    return place


def load_calibration(path: Path) -> StoredCalibration:
    """Read a calibration.

    Raises
    ------
    CalibrationError
        There is none, it is damaged, or of a format this version does not know.
    """
    arrays = _arrays(path)
    told = str(arrays.pop(_SUM, np.array("none")))
    if told != _checksum(arrays):
        raise _corrupt(str(path), "its checksum does not agree")
    try:
        header = json.loads(str(arrays.pop(_HEADER)))
        found = header.pop("format")
    except (KeyError, ValueError, AttributeError) as error:
        raise _corrupt(str(path), f"header: {error}") from error
    if found != FORMAT:
        raise CalibrationError(
            "this format of calibration is not known", where=str(path), got=str(found), allowed=FORMAT
        )
    ranges = {name[len(_RANGE) :]: arrays.pop(name) for name in list(arrays) if name.startswith(_RANGE)}
    header.pop("fingerprint", None)
    return StoredCalibration(model_from_dict(arrays), ChannelRanges.from_dict(ranges), header)


def _arrays(path: Path) -> dict[str, NDArray[np.generic]]:
    if not path.is_file():
        raise CalibrationError(
            "there is no such calibration", where=str(path), next_step="run whichcore calibrate"
        )
    try:
        content = io.BytesIO(path.read_bytes())
        with zipfile.ZipFile(content) as parts:
            damaged = parts.testzip()  # before anything of it is parsed
        if damaged is not None:
            raise _corrupt(str(path), f"the part {damaged} is damaged")
        content.seek(0)
        with np.load(content, allow_pickle=False) as stored:
            return {name: stored[name] for name in stored.files}
    except (
        OSError,
        ValueError,
        EOFError,
        KeyError,
        TypeError,
        AttributeError,
        RuntimeError,
        SyntaxError,
        struct.error,
        tokenize.TokenError,
        zipfile.BadZipFile,
        zlib.error,
    ) as error:
        raise _corrupt(str(path), f"{type(error).__name__}: {error}") from error


def _checksum(arrays: Mapping[str, NDArray[np.generic]]) -> str:
    """Return SHA-256 over names, types, shapes and bytes of all arrays but the sum itself."""
    state = hashlib.sha256()
    for name in sorted(set(arrays) - {_SUM}):
        array = np.ascontiguousarray(arrays[name])
        state.update(f"{name}\0{array.dtype.str}\0{array.shape}\0".encode())
        state.update(array.tobytes())
    return state.hexdigest()


def _digest(fingerprint: Fingerprint) -> str:
    text = json.dumps(fingerprint.to_dict(), sort_keys=True)
    return f"{fingerprint.wiring}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"


def _corrupt(where: str, got: str) -> CalibrationError:
    return CalibrationError(
        "the calibration is damaged or was changed", where=where, got=got, next_step="run whichcore calibrate"
    )
