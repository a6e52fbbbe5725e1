"""The paths of ``every_path.py`` through a sound card: a JACK server with the virtual circuit behind it."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import ImpedanceSweep
from whichcore.bench import load_bench, open_bench
from whichcore.files import load_specimen, load_sweep
from whichcore.measure import CalibrationPlan, StoredCalibration, SweepRequest, calibrate, run_sweep
from whichcore.rig.multitone.rule import Tilt, ToneRule, samples_of
from whichcore.rig.sweep.level import FluxRule
from whichcore.rig.virtual import WoundCore
from whichcore.rig.virtual.audio_process import VirtualAudio

RATE_HZ = 192_000
STEPPED_HZ = (10e3, 30e3, 70e3)
TAKE_S = 1.0
TOGETHER_HZ = (10_001.0, 30_001.0, 70_001.0)  # odd bins of a take of a second
MOST_TAKES, TIES = 4, 3

BENCH = """
wiring = "shunt-at-ground"
[source]
driver = "sound"
address = "{address}"
sample_rate = "192 kHz"
full_scale = "1.52 V"
output_resistance = "47 ohm"
[digitizer]
driver = "sound"
address = "{address}"
full_scale = "2 V"
[shunt]
resistance = "10 ohm"
tolerance = "0.1 %"
[standards.open]
capacitance = "1 pF"
tolerance = "0.5 pF"
[standards.short]
inductance = "4 nH"
tolerance = "2 nH"
resistance = "1 mohm"
resistance_tolerance = "1 mohm"
[standards.load]
resistance = "50 ohm"
tolerance = "0.1 %"
inductance = "4 nH"
inductance_tolerance = "2 nH"
"""


@contextmanager
def _server() -> Iterator[VirtualAudio]:
    before = dict(os.environ)
    with VirtualAudio(RATE_HZ) as audio:
        os.environ.update(audio.environment)
        try:
            yield audio
        finally:
            for name in audio.environment:
                os.environ.pop(name)
            os.environ.update({name: before[name] for name in audio.environment if name in before})


def through_sound_card(
    item: WoundCore, flux_density_t: float, folder: Path, *, together: bool
) -> tuple[Specimen, ImpedanceSweep]:
    """Calibrate a card by its fixtures and sweep the core, tone by tone or with all tones at once."""
    cancel = threading.Event()
    (folder / "card.toml").write_text(item.specimen_toml(), encoding="utf-8")
    (folder / "bench.toml").write_text(BENCH.format(address=VirtualAudio.address), encoding="utf-8")
    specimen = load_specimen(folder / "card.toml")
    settings = load_bench(folder / "bench.toml")
    grid = TOGETHER_HZ if together else STEPPED_HZ
    samples = samples_of(RATE_HZ, TAKE_S)
    with _server() as audio, open_bench(settings) as opened:
        plan = CalibrationPlan(
            grid,
            most_takes=MOST_TAKES,
            tie_frequencies=TIES,
            tones=ToneRule(samples, Tilt.EVEN) if together else None,
        )
        *_, stored = calibrate(settings, opened.bench, audio, plan, cancel)
        if not isinstance(stored, StoredCalibration):
            raise AssertionError("no calibration")
        audio.fit("core", core=item.core.id, turns=item.turns)
        request = SweepRequest(
            specimen,
            folder / "sweep.csv",
            grid,
            FluxRule(flux_density_t, specimen),
            most_takes=MOST_TAKES,
            tones=ToneRule(samples, Tilt.MATCHED) if together else None,
        )
        for _ in run_sweep(settings, opened.bench, stored, request, cancel):
            pass
        audio.calm()
    return specimen, load_sweep(folder / "sweep.csv")
