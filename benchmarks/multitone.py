"""Read sixty tones in one take of two seconds: each as exact as it can be, with memory that stays flat.

Run ``python benchmarks/multitone.py [--takes N] [--tones N]``. A card without a card (``in_process_card.py``)
plays the tones into the virtual bench's circuit and adds white noise of a known size. Over repeated takes the
scatter of each tone's V_A/V_B is compared with its Cramér–Rao bound, var(r)/r² = 1/Nη1 + 1/Nη2 with
η = A²/2σ² (Kay 1993, ch. 3, from memory). Two gates, and the exit code is 1 when one is missed:

- each tone's scatter at most 1.2 times its bound. The parabola taken off costs a factor of 1.035, and the
  scatter of N takes is itself known to 1/√(4N);
- memory held after a tenth of the takes and after all: at most 1.05 times and 128 KiB more; a take is 6 MiB.
  The largest resident size of the process: at most 1.05 times.
"""

from __future__ import annotations

import argparse
import gc
import math
import platform
import resource
import sys
import threading
import time
import tracemalloc
from dataclasses import dataclass

import numpy as np

from in_process_card import InProcessCard, set_up
from whichcore.analysis.multitone import ToneSet, count_products, design_tones
from whichcore.analysis.multitone_fit import ToneReader, read_tones, tone_reader
from whichcore.analysis.multitone_mean import TonesMean
from whichcore.analysis.multitone_phases import Wave, low_peak_wave
from whichcore.analysis.types import FloatArray
from whichcore.rig.virtual import fixture

RATE_HZ, TAKE_S, BAND_HZ = 192_000.0, 2.0, (1e3, 80e3)
NOISE_VRMS = 1e-3
GATE_SCATTER, GATE_MEMORY, SPARE_KIB = 1.2, 1.05, 128.0
KIB = 1024.0


@dataclass(frozen=True, slots=True)
class Watched:
    """What repeated takes have shown.

    Attributes
    ----------
    scatter, stated : float array (T,)
        Of a component of V_A/V_B over its size: as seen, and as the takes say.
    bound : float array (T,)
    held_kib, resident_kib : (float, float)
        After a tenth of the takes, and after all.
    read_s : float
        Time of reading one take, median.
    """

    scatter: FloatArray
    stated: FloatArray
    bound: FloatArray
    held_kib: tuple[float, float]
    resident_kib: tuple[float, float]
    read_s: float

    @property
    def worst(self) -> float:
        """Largest scatter over bound."""
        return float((self.scatter / self.bound).max())


def watch(card: InProcessCard, wave: Wave, reader: ToneReader, takes: int) -> Watched:
    """Take and read so many records."""
    mean, spent, cancel = TonesMean(reader), [], threading.Event()
    count = reader.tones.bins.size
    # running sums, so that nothing here grows with the takes either
    total, squares, stated = np.zeros(count, complex), np.zeros(count), np.zeros(count)
    held, resident = [], []
    first = np.zeros(count, complex)
    tracemalloc.start()
    for number in range(1, takes + 1):
        capture = card.take(wave.samples, 0, 0.0, cancel)
        begun = time.perf_counter()
        read = read_tones(capture, reader)
        spent.append(time.perf_counter() - begun)
        mean.add(read)
        ratio = read.phasor_vpk[:, 0] / read.phasor_vpk[:, 1]
        first = ratio if number == 1 else first
        total += ratio - first
        squares += np.abs(ratio - first) ** 2
        stated += _stated(read.phasor_vpk, read.random_v2)
        del capture, read
        if number in {max(takes // 10, 2), takes}:
            gc.collect()
            held.append(tracemalloc.get_traced_memory()[0] / KIB)
            resident.append(float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss))
    tracemalloc.stop()
    middle = first + total / takes
    variance = (squares - np.abs(total) ** 2 / takes) / (takes - 1) / 2
    size = np.abs(mean.phasor_vpk)
    bound = np.sqrt(np.sum(2 * card.noise_vrms**2 / (reader.tones.samples * size**2), axis=1))
    return Watched(
        np.sqrt(variance) / np.abs(middle),
        np.sqrt(stated / takes),
        bound,
        (held[0], held[-1]),
        (resident[0], resident[-1]),
        float(np.median(spent)),
    )


def _stated(phasors: np.ndarray, covariance: FloatArray) -> FloatArray:
    """Return the variance of a component of V_A/V_B over its square, to first order."""
    inverse = 1 / phasors
    rows = np.stack([inverse[:, 0], 1j * inverse[:, 0], -inverse[:, 1], -1j * inverse[:, 1]], axis=1)
    return np.asarray(np.einsum("ti,tij,tj->t", rows, covariance, rows.conj()).real / 2)


def sixty(count: int) -> tuple[ToneSet, Wave]:
    """Return the tones and their wave."""
    tones = design_tones(RATE_HZ, round(RATE_HZ * TAKE_S), BAND_HZ, count)
    return tones, low_peak_wave(tones, np.ones(count))


def main() -> int:
    """Take, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--takes", type=int, default=200)
    parser.add_argument("--tones", type=int, default=60)
    asked = parser.parse_args()
    print(f"{platform.machine()}, {platform.python_version()}, numpy {np.__version__}")
    begun = time.perf_counter()
    tones, wave = sixty(asked.tones)
    products = count_products(tones)
    print(
        f"{asked.tones} tones, {tones.frequency_hz[0]:.1f} Hz to {tones.frequency_hz[-1]:.1f} Hz in "
        f"{TAKE_S:g} s at {RATE_HZ:g} samples per second: crest factor {wave.crest:.2f}, products on tones "
        f"{products.second} + {products.third}, folded {products.folded}; "
        f"made in {time.perf_counter() - begun:.2f} s"
    )
    card = InProcessCard(set_up(fixture("resistor")), rate_hz=RATE_HZ, noise_vrms=NOISE_VRMS)
    seen = watch(card, wave, tone_reader(tones), asked.takes)
    ratio = seen.scatter / seen.bound
    print(
        f"{asked.takes} takes: scatter over bound {math.sqrt(np.mean(ratio**2)):.3f} rms, {ratio.min():.3f} "
        f"to {ratio.max():.3f} (each known to {1 / math.sqrt(4 * asked.takes):.3f}); over what is stated "
        f"{math.sqrt(np.mean((seen.scatter / seen.stated) ** 2)):.3f}; one take is read in "
        f"{seen.read_s:.3f} s"
    )
    resident = seen.resident_kib[1] / seen.resident_kib[0]
    grown = seen.held_kib[1] - seen.held_kib[0]
    spare = (GATE_MEMORY - 1) * seen.held_kib[0] + SPARE_KIB
    print(
        f"memory held {seen.held_kib[0]:.0f} and {seen.held_kib[1]:.0f} KiB ({grown:+.1f} KiB), resident "
        f"{seen.resident_kib[0] / KIB:.0f} and {seen.resident_kib[1] / KIB:.0f} MiB"
    )
    missed = [
        text
        for holds, text in (
            (seen.worst <= GATE_SCATTER, f"scatter {seen.worst:.3f} of its bound, gate {GATE_SCATTER}"),
            (grown <= spare, f"memory held grew {grown:.0f} KiB, gate {spare:.0f}"),
            (resident <= GATE_MEMORY, f"resident size grew {resident:.3f} times"),
        )
        if not holds
    ]
    for text in missed:
        print(f"MISSED: {text}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
