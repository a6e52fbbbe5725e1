"""The virtual bench over its sockets, worked by the program's own calibrations and sweeps.

A process serves the instruments, a bench file in a temporary folder names their addresses, and the hands of
the bench fit what a person would. Used by the benchmarks that measure over TCP.
"""

from __future__ import annotations

import sys
import threading
import tomllib
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, Scope, Wiring
from whichcore.bench import BenchSettings, OpenBench, load_bench, open_bench
from whichcore.errors import WhichcoreWarning
from whichcore.files import load_specimen, load_sweep
from whichcore.measure import CalibrationPlan, StoredCalibration, SweepRequest, calibrate, run_sweep
from whichcore.rig.events import NotReachable
from whichcore.rig.sweep.level import FluxRule
from whichcore.rig.sweep.plan import RecordRule
from whichcore.rig.virtual import VirtualBench, WoundCore

Labels = dict[str, Any]


def shipped_labels() -> Labels:
    """Return what the program's own file says of the virtual bench."""
    return tomllib.loads((files("whichcore.bench") / "virtual.toml").read_text(encoding="utf-8"))


def toml_text(table: Mapping[str, Any], name: str = "") -> str:
    """Return a nested table as TOML; texts, numbers and lists of numbers only."""
    plain = {key: value for key, value in table.items() if not isinstance(value, Mapping)}
    lines = [f"[{name}]\n"] if name and plain else []
    lines += [f'{k} = "{v}"\n' if isinstance(v, str) else f"{k} = {v}\n" for k, v in plain.items()]
    inner = (
        toml_text(value, f"{name}.{key}" if name else key)
        for key, value in table.items()
        if isinstance(value, Mapping)
    )
    return "".join(lines) + "".join(inner)


@dataclass(frozen=True, slots=True)
class Job:
    """A part of a sweep: which winding, in which wiring, at which frequencies, up to which flux density.

    Attributes
    ----------
    item : WoundCore
        The core is asked for by its id; its card is what the program reads.
    wiring : Wiring
    frequency_hz : tuple of float
    flux_density_t : float
    card : str or None
        Specimen file, where it says something else than the card of the core.
    """

    item: WoundCore
    wiring: Wiring
    frequency_hz: tuple[float, ...]
    flux_density_t: float
    card: str | None = None


class WiredBench:
    """A virtual bench in a process of its own.

    Parameters
    ----------
    folder : Path
        Bench files, cards and sweeps go there.
    virtual : VirtualBench
        Started and ended by the caller.
    labels : dict or None
        What the bench file says of shunt, standards and inputs; None takes the program's own.
    most_takes : int
        Records at a point at the most, of standards and specimens alike.
    record : RecordRule or None
        None for the program's own.
    """

    def __init__(
        self,
        folder: Path,
        virtual: VirtualBench,
        labels: Labels | None = None,
        most_takes: int = 16,
        record: RecordRule | None = None,
    ) -> None:
        self.folder, self.virtual = folder, virtual
        self._record = record or RecordRule()
        self._labels = shipped_labels() if labels is None else labels
        self._takes = most_takes
        self._calibrations: dict[Wiring, StoredCalibration] = {}
        self._jobs = 0
        self.lost: list[tuple[float, str]] = []  # points of the last measurement that could not be had

    def settings(self, wiring: Wiring) -> BenchSettings:
        """Write the bench file of a wiring and return what the program reads from it."""
        labels = dict(self._labels, wiring=str(wiring))
        labels["source"] = {**labels["source"], "address": self.virtual.source}
        labels["digitizer"] = {**labels["digitizer"], "address": self.virtual.digitizer}
        path = self.folder / f"bench-{wiring}.toml"
        path.write_text(toml_text(labels), encoding="utf-8")
        return load_bench(path)

    def calibrate(self, wiring: Wiring, frequency_hz: Sequence[float], ties: int = 12) -> StoredCalibration:
        """Calibrate a wiring; sweeps in it then use this."""
        plan = CalibrationPlan(
            tuple(frequency_hz), most_takes=self._takes, record=self._record, tie_frequencies=ties
        )
        with self._wired(wiring) as (settings, opened):
            for told in calibrate(settings, opened.bench, _Fixtures(self.virtual), plan, threading.Event()):
                if isinstance(told, StoredCalibration):
                    self._calibrations[wiring] = told
        return self._calibrations[wiring]

    def measure(self, jobs: Sequence[Job]) -> tuple[Specimen, ImpedanceSweep]:
        """Sweep one winding, part by part, and return its card with one sweep of them all."""
        self.lost = []
        parts = []
        for job in jobs:
            specimen, sweep = self._sweep(job)
            parts.append(sweep)
        return specimen, joined(parts)

    def _sweep(self, job: Job) -> tuple[Specimen, ImpedanceSweep]:
        item, wiring = job.item, job.wiring
        self._jobs += 1
        out = self.folder / f"sweep-{self._jobs}.csv"
        card = out.with_suffix(".toml")
        card.write_text(job.card or item.specimen_toml(), encoding="utf-8")
        with warnings.catch_warnings(), self._wired(wiring) as (settings, opened):
            warnings.simplefilter("ignore", WhichcoreWarning)  # cards without uncertainty take the usual one
            specimen = load_specimen(card)
            self.virtual.fit("core", core=item.core.id, **_winding(item))
            self.virtual.do(age_s=600)  # as old as the circuit's own statement holds for
            request = SweepRequest(
                specimen,
                out,
                job.frequency_hz,
                FluxRule(job.flux_density_t, specimen),
                most_takes=self._takes,
            )
            stored = self._calibrations[wiring]
            for event in run_sweep(settings, opened.bench, stored, request, threading.Event()):
                if isinstance(event, NotReachable):
                    self.lost.append((event.frequency_hz, event.reason))
            return specimen, load_sweep(out)

    @contextmanager
    def _wired(self, wiring: Wiring) -> Iterator[tuple[BenchSettings, OpenBench]]:
        self.virtual.fit("open")  # a core of one winding cannot be wired with two
        self.virtual.do(wiring=str(wiring))
        settings = self.settings(wiring)
        with open_bench(settings) as opened:
            yield settings, opened


class _Fixtures:
    """The hands, as the operator of a calibration."""

    def __init__(self, virtual: VirtualBench) -> None:
        self._virtual = virtual

    def fit(self, name: str) -> None:
        """Put a fixture in place."""
        self._virtual.fit(name)


def _winding(item: WoundCore) -> dict[str, Any]:
    winding: dict[str, Any] = {
        "turns": item.turns,
        "wire_diameter_m": item.wire_diameter_m,
        "lead_length_m": item.lead_length_m,
    }
    if item.secondary_turns is not None:
        winding["secondary_turns"] = item.secondary_turns
    return winding


def joined(parts: Sequence[ImpedanceSweep]) -> ImpedanceSweep:
    """Return sweeps of one winding in several wirings as one, in the order of frequency.

    A source is shared by the parts that carry its id, but the factors of the ranges: they were measured anew
    with each calibration and keep to their wiring.
    """
    frequency = np.concatenate([part.frequency_hz for part in parts])
    order = np.argsort(frequency)
    scatter = np.concatenate([part.scatter for part in parts])
    sources: dict[str, ErrorSource] = {}
    start = 0
    for part in parts:
        stop = start + part.frequency_hz.size
        for source in part.sources:
            own = source.scope in {Scope.RANGE, Scope.POINT}
            name = f"{source.id} ({part.wiring})" if own else source.id
            known = sources.get(name, replace(source, id=name, sensitivity=np.zeros(frequency.size, complex)))
            known.sensitivity[start:stop] = source.sensitivity
            sources[name] = known
        start = stop
    return ImpedanceSweep(
        frequency_hz=frequency[order],
        impedance_ohm=np.concatenate([part.impedance_ohm for part in parts])[order],
        scatter=scatter[order],
        sources=tuple(s.at(order) for s in sources.values()),
        flux_density_t=_merged([part.flux_density_t for part in parts], order),
        range_labels=_labels(parts, order),
        temperature_c=parts[0].temperature_c,
        wiring=parts[0].wiring,
    )


def _merged(columns: Sequence[Any], order: Any) -> Any:
    return None if any(column is None for column in columns) else np.concatenate(columns)[order]


def _labels(parts: Sequence[ImpedanceSweep], order: Any) -> tuple[str, ...] | None:
    if any(part.range_labels is None for part in parts):
        return None
    labels = [f"{label} {part.wiring}" for part in parts for label in part.range_labels or ()]
    return tuple(labels[k] for k in order)


def progress(text: str) -> None:
    """Say on stderr how far it is."""
    print(text, file=sys.stderr, flush=True)
