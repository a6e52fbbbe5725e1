"""Sweeps of the virtual cores for tests: circuits with drawn errors, and the in-process bench."""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from whichcore.analysis.types import ErrorSource, ImpedanceSweep, Scope, Wiring
from whichcore.rig.virtual import Setup, WoundCore
from whichcore.rig.virtual.oneport import Capacitor, parallel, series

ROOT = Path(__file__).resolve().parents[1]


def in_process_bench():
    name = "in_process_bench"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, ROOT / "benchmarks" / f"{name}.py")
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


def wound_port(item, capacitance_f):
    """The circuit of a wound core with a winding capacitance of the test's choosing."""
    return parallel(series(item.wire_port(item.turns), item.core_port()), Capacitor(capacitance_f))


def drawn_sweep(port, frequency_hz, rng, noise=1e-3, gain=2e-3, phase=1e-3):
    """The impedance of a circuit with scatter and two common errors, all drawn from what is stated."""
    z = port.impedance(2j * np.pi * frequency_hz)
    sources = (
        ErrorSource("gain", Scope.SWEEP, gain * z),
        ErrorSource("phase", Scope.SWEEP, 1j * phase * z),
    )
    a, b = rng.normal(size=2)
    scatter = noise * abs(z) * (rng.normal(size=z.size) + 1j * rng.normal(size=z.size))
    covariance = (noise * abs(z))[:, None, None] ** 2 * np.eye(2)
    return ImpedanceSweep(
        frequency_hz, z * (1 + gain * a + 1j * phase * b) + scatter, covariance, sources, wiring=None
    )


def card(item, **winding):
    """What is known of a virtual core, without a file."""
    text = in_process_bench().card(item)
    return replace(text, winding=replace(text.winding, **winding)) if winding else text


def bench_sweep(bench, item, wiring, frequencies_hz, emf_vpk=None):
    """The corrected impedance over frequency, as the in-process bench reads it point by point."""
    own = in_process_bench()
    points, fluxes = [], []
    for frequency_hz in frequencies_hz:
        setup = Setup(wiring, item, bench._shunt_ohm)
        emf = own._emf_for(setup, frequency_hz) if emf_vpk is None else emf_vpk
        ranges = own._ranges_for(setup, frequency_hz, emf)
        model, factor = bench.model(wiring, frequency_hz), bench._tied(frequency_hz, ranges)
        pair = own._pair(bench._phasors(setup, frequency_hz, emf, ranges), frequency_hz)
        point = model.correct(pair, factor=factor)
        if wiring is Wiring.TWO_WINDINGS:
            point = own.unloaded(point, own.card(item), own.SECONDARY)
        points.append((point, f"{ranges[0]:g}/{ranges[1]:g}"))
        if isinstance(item, WoundCore):
            flux = own.operate(setup, np.array([frequency_hz]), emf * own._source_gain()).flux_density_t
            fluxes.append(float(flux[0]))
    return _over_frequency(points, wiring, np.array(fluxes) if fluxes else None)


def _over_frequency(points, wiring, fluxes):
    sources = {}
    for index, (point, _) in enumerate(points):
        for source in point.sources:
            row = sources.setdefault(
                source.id, replace(source, sensitivity=np.zeros(len(points), dtype=complex))
            )
            row.sensitivity[index] = source.sensitivity[0]
    return ImpedanceSweep(
        np.concatenate([p.frequency_hz for p, _ in points]),
        np.concatenate([p.impedance_ohm for p, _ in points]),
        np.concatenate([p.scatter for p, _ in points]),
        tuple(sources.values()),
        flux_density_t=fluxes,
        range_labels=tuple(label for _, label in points),
        wiring=wiring,
    )
