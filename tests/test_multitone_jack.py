"""All tones at once through PortAudio and a real JACK server, on the circuit behind it; and the benchmark."""

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from test_soundcard_jack import (  # noqa: F401 - fixtures
    NEVER,
    RATE,
    TONES_WITHIN,
    TURNS,
    _deviation,
    audio,
    bench,
    pytestmark,
)
from whichcore.files import load_specimen, load_sweep
from whichcore.measure import CalibrationPlan, StoredCalibration, SweepRequest, calibrate, run_sweep
from whichcore.rig.events import NotReachable, PointDone, TonesPlayed
from whichcore.rig.multitone.rule import Tilt, ToneRule, samples_of, take_device, tone_grid
from whichcore.rig.multitone.run import multitone_sweep
from whichcore.rig.sweep.level import DriveRule, FluxRule
from whichcore.rig.sweep.plan import SweepPlan
from whichcore.rig.virtual.cores import core
from whichcore.rig.virtual.fixtures import WoundCore, fixture, impedance_of

TAKE_S = 0.5
BENCHMARK = Path(__file__).parents[1] / "benchmarks" / "multitone.py"


@pytest.mark.soak
def test_a_calibration_and_cores_by_tones_through_a_real_server(audio, bench, tmp_path):  # noqa: F811
    settings, hardware = bench
    device = take_device(hardware)
    grid = tone_grid(device, TAKE_S, (500.0, 0.42 * RATE), 10, 50.0)
    rule = ToneRule(samples_of(device.rate_hz, TAKE_S), Tilt.EVEN)
    *_, stored = calibrate(settings, hardware, audio, CalibrationPlan(grid, tones=rule), NEVER)
    assert isinstance(stored, StoredCalibration)
    for name in ("resistor", "coil", "capacitor"):
        audio.fit(name)
        plan = SweepPlan(grid, DriveRule(1.0), highest_level_vpp=3.0, revisit_first=False)
        told = list(multitone_sweep(plan, rule, hardware, NEVER, correct=stored.correction))
        points = [event for event in told if isinstance(event, PointDone)]
        assert len(points) == len(grid)
        # independent: the part's own impedance, complex arithmetic at one frequency
        truth = impedance_of(fixture(name), np.array(grid))
        worst = [
            max(_deviation(z.impedance_ohm[0], true, z.scatter[0], [s.sensitivity[0] for s in z.sources]))
            for z, true in zip((point.corrected for point in points), truth, strict=True)
        ]
        assert max(worst) < TONES_WITHIN, (name, worst)

    wound = WoundCore(core("bin-h"), TURNS)
    (tmp_path / "core.toml").write_text(wound.specimen_toml(), encoding="utf-8")
    specimen = load_specimen(tmp_path / "core.toml")
    audio.fit("core", core="bin-h", turns=TURNS)
    for tilt in (Tilt.FLUX, Tilt.MATCHED):
        out = tmp_path / f"{tilt}.csv"
        request = SweepRequest(
            specimen, out, grid, FluxRule(0.25e-3, specimen), tones=replace(rule, tilt=tilt)
        )
        told = list(run_sweep(settings, hardware, stored, request, NEVER))
        assert not [event for event in told if isinstance(event, NotReachable)]
        played = next(event for event in told if isinstance(event, TonesPlayed))
        assert 0.6 * 0.25e-3 < played.total_flux_density_t < 0.25e-3
        swept = load_sweep(out)
        truth = impedance_of(wound, swept.frequency_hz)
        for k, z in enumerate(swept.impedance_ohm):
            sources = [source.sensitivity[k] for source in swept.sources]
            assert max(_deviation(z, truth[k], swept.scatter[k], sources)) < TONES_WITHIN
        assert abs(swept.impedance_ohm / truth - 1).max() < 0.01


@pytest.mark.soak
def test_the_benchmark_prints_its_ratio():
    """Few takes: the scatter of each tone is known to a ninth, so the mean of all alone is looked at."""
    done = subprocess.run(
        [sys.executable, BENCHMARK, "--takes", "20"], capture_output=True, text=True, check=False
    )
    assert done.returncode in {0, 1}, done.stderr
    ratio = float(re.search(r"scatter over bound ([\d.]+) rms", done.stdout).group(1))
    # analytic: √(1 + 9/128); 60 tones of 20 takes know it to 1/√(4 · 1200)
    assert ratio == pytest.approx(1.035, abs=0.06)
    assert "memory held grew" not in done.stdout
    assert "products on tones 0 + 0, folded 0" in done.stdout
