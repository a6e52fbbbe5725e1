"""A recording of a sound card as WAV: codes of full scale, which the user states in volts."""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.io import wavfile

from whichcore.errors import InputError
from whichcore.files.text import read_bytes
from whichcore.files.waveform import Waveform
from whichcore.files.waveform_cells import HALF_WRITTEN


def read_waveform_wav(path: Path, full_scale_vpk: tuple[float, ...] | None) -> Waveform:
    """Read PCM of 16, 24 or 32 bits, or floats.

    Parameters
    ----------
    path : Path
    full_scale_vpk : tuple of float or None
        Peak volts at digital full scale, one for all channels or one each.

    Raises
    ------
    InputError
        Not WAV, cut off, an empty channel, no full scale stated.
    """
    rate, data = _samples(path)
    samples = np.atleast_2d(data.T)
    count = samples.shape[0]
    if full_scale_vpk is None or len(full_scale_vpk) not in {1, count}:
        raise InputError(
            "the volts at full scale of a recording are not stated",
            where=str(path),
            got="none" if full_scale_vpk is None else f"{len(full_scale_vpk)} for {count} channels",
            allowed="one for all channels, or one each",
            next_step='state full_scale = "1.0 V" (peak) under channels; only the ratio of both counts',
        )
    rails, step, unit = _codes(samples)
    for place, row in enumerate(samples):
        if row.min() == row.max():
            raise InputError(
                "a channel is empty: every sample has one value",
                where=f"{path}, channel {place + 1}",
                got=f"{row[0]}",
                next_step="check cable and input; exact zeros mean that the system lets no program record",
            )
    full = full_scale_vpk * count if len(full_scale_vpk) == 1 else full_scale_vpk
    return Waveform(
        path=path,
        names=tuple(f"channel {place}" for place in range(1, count + 1)),
        samples=samples,
        interval_s=1 / rate,
        volts_per_code=tuple(volts / unit for volts in full),
        step_codes=(step,) * count,
        clip_codes=(rails,) * count,
        ranges=tuple(f"{volts:g}V" for volts in full),
    )


def _samples(path: Path) -> tuple[int, NDArray[Any]]:
    raw = read_bytes(path)
    with warnings.catch_warnings():
        warnings.simplefilter("error", wavfile.WavFileWarning)
        try:
            rate, data = wavfile.read(io.BytesIO(raw))
        except Exception as error:  # noqa: BLE001 - the reader raises whatever a damaged file leads it into
            cut = "EOF" in str(error) or "Incomplete" in str(error) or not raw.startswith((b"RIFF", b"RIFX"))
            raise InputError(
                "the file is no recording that can be read, or was not written to its end",
                where=str(path),
                got=" ".join(str(error).split())[:120] or type(error).__name__,
                allowed="WAV: PCM of 16, 24 or 32 bits, or floats",
                next_step=HALF_WRITTEN if cut else "save it as WAV, uncompressed",
            ) from None
    if rate <= 0 or data.size == 0:
        raise InputError(
            "the recording is empty", where=str(path), got=f"{data.shape} samples at {rate} per second"
        )
    if data.dtype.kind == "f" and not np.isfinite(data).all():
        raise InputError("a sample is not finite", where=str(path), next_step="record it again")
    return int(rate), data


def _codes(samples: NDArray[Any]) -> tuple[tuple[float, float], float, float]:
    """Return rails, step and full scale in codes; 24 bits stand in the upper part of 32."""
    if samples.dtype.kind == "f":
        return (-1.0, 1.0), 0.0, 1.0
    rails = np.iinfo(samples.dtype)
    step = 1
    if samples.dtype.itemsize == 4 and not np.any(samples & 0xFF):
        step = 256
    highest = rails.max - (step - 1)
    return (float(rails.min), float(highest)), float(step), float(rails.max + 1) if rails.min < 0 else 128.0
