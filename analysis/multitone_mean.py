"""The average of takes of many tones, built up take by take: what it holds does not grow with their number.

As in :mod:`whichcore.analysis.takes` each tone is turned so that the phase of its larger channel is zero,
phasors are averaged, and the takes' own scatter raises the stated covariance where it exceeds it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from whichcore.analysis.capture_check import CHANNELS, MAINS_ORDERS
from whichcore.analysis.multitone import mains_zone
from whichcore.analysis.multitone_fit import ToneReader, TonesRead
from whichcore.analysis.multitone_products import Products
from whichcore.analysis.takes import FEWEST_FOR_SCATTER, few_readings, raised_covariance
from whichcore.analysis.types import ComplexArray, FlagKind, FloatArray, PhasorFlag, Phasors
from whichcore.errors import AnalysisError

SMALL = 10.0  # a phasor below ten of its own standard uncertainties
UNSTABLE_SHARE = 1e-3  # of a tone, just beside it
SKIRT = 3.0  # times the noise, beside a tone: more than chance (χ² of 4 degrees of freedom, 5·10⁻⁷)


class TonesMean:
    """Takes of one tone set, averaged.

    Parameters
    ----------
    reader : ToneReader

    Attributes
    ----------
    takes : int
    """

    def __init__(self, reader: ToneReader) -> None:
        count = reader.tones.bins.size
        self._reader = reader
        self.takes = 0
        self._louder: NDArray[np.intp] = np.zeros(count, dtype=np.intp)
        self._mean, self._squares = np.zeros((count, 4)), np.zeros((count, 4, 4))
        self._random, self._lasting = np.zeros((count, 4, 4)), np.zeros((count, 4, 4))
        self._skirt, self._quiet = np.zeros((count, 2)), np.zeros((count, 2))
        self._noise, self._dc = np.zeros(2), np.zeros(2)
        self._hum, self._correlation, self._start_s = np.zeros(2), 0.0, 0.0
        self._products = np.zeros((4, 2))
        self._flags: dict[tuple[str, int | None], PhasorFlag] = {}

    def add(self, read: TonesRead, start_time_s: float = 0.0) -> None:
        """Take one more record in."""
        if self.takes == 0:
            self._louder = np.argmax(np.abs(read.phasor_vpk), axis=1)
        vectors, random, lasting = _turned(read, self._louder)
        self.takes += 1
        before = vectors - self._mean
        self._mean += before / self.takes
        self._squares += before[:, :, None] * (vectors - self._mean)[:, None, :]
        self._random += random
        self._lasting += lasting
        self._skirt += read.skirt**2
        self._quiet += np.trace(read.random_v2.reshape(-1, 2, 2, 2, 2), axis1=2, axis2=4)[:, [0, 1], [0, 1]]
        self._noise += read.noise_vrms**2
        self._dc += read.dc_v
        self._products += _as_rows(read.products)
        self._hum = np.maximum(self._hum, read.hum_vpk)
        self._correlation += read.noise_correlation
        self._start_s += start_time_s
        for flag in read.flags:
            self._flags.setdefault((flag.kind, flag.channel), flag)

    @property
    def clipped(self) -> bool:
        """Whether a record was at the rails."""
        return any(flag.kind is FlagKind.CLIPPED for flag in self._flags.values())

    @property
    def phasor_vpk(self) -> ComplexArray:
        """Mean peak phasors of both channels, (T, 2)."""
        return np.asarray(self._mean[:, ::2] + 1j * self._mean[:, 1::2])

    def products(self) -> Products:
        """Return the distortion found in all takes together."""
        even, odd, u_even, u_odd = self._products
        n = max(self.takes, 1)
        return Products(even / n, odd / n, np.sqrt(u_even) / n, np.sqrt(u_odd) / n)

    def phasors(self, range_labels: tuple[str, str] | None = None) -> tuple[Phasors, ...]:
        """Return the average of each tone, in rising order.

        Raises
        ------
        AnalysisError
            There are no takes.
        """
        if self.takes == 0:
            raise AnalysisError("there is nothing to average", where="takes", allowed="one take or more")
        reader, n = self._reader, self.takes
        phasors = self.phasor_vpk
        found = []
        for t, frequency_hz in enumerate(reader.tones.frequency_hz):
            random, lasting = self._random_of(t), self._lasting[t] / n
            covariance = random + lasting
            flags = (*self._flags.values(), *self._tone_flags(t, phasors[t], covariance))
            found.append(
                Phasors(
                    frequency_hz=float(frequency_hz),
                    frequency_uncertainty_hz=0.0,
                    reference_time_s=self._start_s / n + reader.tones.duration_s / 2,
                    phasor_vpk=phasors[t],
                    covariance_v2=covariance,
                    systematic_v2=lasting,
                    noise_vrms=np.sqrt(self._noise / n),
                    noise_correlation=self._correlation / n,
                    dc_v=self._dc / n,
                    harmonics_vpk={},
                    hum_vpk=self._hum,
                    flags=flags,
                    takes=n,
                    samples=reader.tones.samples,
                    range_labels=range_labels,
                )
            )
        return tuple(found)

    def _random_of(self, t: int) -> FloatArray:
        n = self.takes
        stated = few_readings(self._reader.freedom * n) * self._random[t] / n**2
        if n < FEWEST_FOR_SCATTER:
            return np.asarray(stated) + self._unsteady(t)
        return raised_covariance(stated, self._squares[t] / (n - 1) / n, n - 1)[0] + self._unsteady(t)

    def _unsteady(self, t: int) -> FloatArray:
        """Return what stands beside a tone beyond the noise, as a covariance of the tone itself."""
        added = np.zeros(4)
        for c in range(2):
            skirt, noise = self._beside(t, c)
            if skirt > SKIRT * noise:
                added[2 * c : 2 * c + 2] = (skirt**2 - noise**2) / 2 / self.takes
        return np.diag(added)

    def _beside(self, t: int, channel: int) -> tuple[float, float]:
        """Return the rms just beside a tone, and that of the noise farther out."""
        both = np.sqrt(np.array([self._skirt[t, channel], self._quiet[t, channel]]) / self.takes)
        return float(both[0]), float(both[1])

    def _tone_flags(self, t: int, phasor: ComplexArray, covariance: FloatArray) -> list[PhasorFlag]:
        flags, bins = [], self._reader.tones.bins
        for c, name in enumerate(CHANNELS):
            size, part = abs(complex(phasor[c])), slice(2 * c, 2 * c + 2)
            u = float(np.sqrt(np.trace(covariance[part, part]) / 2))
            if size < SMALL * u:
                detail = f"channel {name} is {size / u:.2g} of its own standard uncertainties"
                flags.append(PhasorFlag(FlagKind.TOO_SMALL, c, detail))
            skirt, noise = self._beside(t, c)
            if skirt > max(UNSTABLE_SHARE * size, SKIRT * noise):
                detail = f"the tone drifts or is modulated: {skirt / max(size, 1e-300):.2g} of it beside it"
                flags.append(PhasorFlag(FlagKind.UNSTABLE, c, detail))
        mains = self._reader.mains_hz
        if mains is not None:
            duration = self._reader.tones.duration_s
            if mains_zone(bins[t : t + 1], mains * duration, MAINS_ORDERS[-1])[0]:
                detail = f"the tone can not be told from the mains at {bins[t] / duration:g} Hz"
                flags.append(PhasorFlag(FlagKind.HUM, None, detail))
        return flags


def _turned(read: TonesRead, louder: NDArray[np.intp]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (Re A, Im A, Re B, Im B), (T, 4), turned by the louder channel's phase, and both covariances.

    The turn is itself measured: with δφ = Im(δV_ref/V_ref), δV′ = e^{−jφ} δV − jV′ δφ.
    """
    tone = np.arange(louder.size)
    reference = read.phasor_vpk[tone, louder]
    if not (np.abs(reference) > 0).all():
        raise AnalysisError(
            "both channels read nothing at all",
            where="record",
            got="zeros",
            next_step="check cables, and that the program may record",
        )
    unit = reference / np.abs(reference)
    turned = read.phasor_vpk * unit.conj()[:, None]
    turn = np.zeros((louder.size, 4, 4))
    for c in (0, 2):
        turn[:, c, c] = turn[:, c + 1, c + 1] = unit.real
        turn[:, c, c + 1], turn[:, c + 1, c] = unit.imag, -unit.imag
    angle = turn[tone, 2 * louder + 1] / np.abs(reference)[:, None]
    sideways = np.ascontiguousarray(-1j * turned).view(np.float64)
    jacobian = turn + sideways[:, :, None] * angle[:, None, :]
    vectors = np.ascontiguousarray(turned).view(np.float64).copy()
    vectors[tone, 2 * louder + 1] = 0.0
    across = np.swapaxes(jacobian, 1, 2)
    return vectors, jacobian @ read.random_v2 @ across, jacobian @ read.systematic_v2 @ across


def _as_rows(products: Products) -> FloatArray:
    """Return shares and squares of uncertainties, (4, 2), to be summed."""
    return np.array([products.even, products.odd, products.u_even**2, products.u_odd**2])
