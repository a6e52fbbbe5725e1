"""The same core on every path: the judgement of the benchmark, and the paths of the rig through it."""

import ctypes.util
import importlib.util
import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest

from whichcore.rig.virtual import WoundCore, core
from whichcore.rig.virtual.dialects import DIGITIZERS, SOURCES

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"
SHORT = [
    "virtual:separate-scaling+hislip",
    "virtual:prefixed-reply+serial",
    "virtual:inline-header+keyed-source+hislip",
    "virtual:ten-field-preamble+serial-answering",
    "virtual:volts-block+serial-mute+hislip",
]


@pytest.fixture(scope="module")
def paths():
    sys.path.insert(0, str(BENCHMARKS))
    try:
        spec = importlib.util.spec_from_file_location("every_path", BENCHMARKS / "every_path.py")
        module = importlib.util.module_from_spec(spec)
        sys.modules["every_path"] = module
        spec.loader.exec_module(module)
        yield module
    finally:
        sys.path.remove(str(BENCHMARKS))
        sys.modules.pop("every_path", None)


def outcome(paths, off, u=10.0, name="a"):
    """A path that is off by so much at every frequency, in both parts."""
    truth = np.array([2300 - 20j, 2200 - 200j, 1500 - 1400j])
    return paths.Outcome(name, truth + off * (1 + 1j), np.full(3, u), np.full(3, u), truth)


def test_what_lies_within_its_uncertainty(paths):
    good, bad = outcome(paths, 15.0), outcome(paths, 25.0, name="b")
    assert paths.outside([good]) == (0, 6)  # analytic: 1.5 u
    assert paths.outside([good, bad]) == (6, 12)  # and 2.5 u
    assert paths.apart([good, bad]) == (0, 6)  # 10 apart, and u of the difference is 14.1
    assert paths.apart([good, outcome(paths, -15.0)]) == (6, 6)  # 30 of 14.1
    assert paths.apart([good]) == (0, 0)


def test_gates(paths, capsys):
    good = [outcome(paths, off) for off in (0.0, 5.0, -5.0)]
    assert paths.judged(good) == 0
    assert paths.judged([*good, outcome(paths, 40.0)]) == 1
    assert paths.judged([outcome(paths, 0.0, u=250.0)]) == 1  # right, and of no use
    assert paths.judged([*good, paths.Outcome("c", refused="no")]) == 1
    assert paths.judged([]) == 1
    text = paths.table([good[0], paths.Outcome("c", refused="no cable")], paths.FREQUENCIES_HZ)
    assert "2300 ± 10" in text
    assert "refused: no cable" in text
    assert "off the truth by more than 2 u: 0 of 18" in capsys.readouterr().out


def test_every_family_line_and_kind_of_source_is_on_a_path(paths):
    words = {word for name, _ in paths.PATHS for word in name.partition(":")[2].split("+")}
    assert {*DIGITIZERS} - {"scpi-digitizer"} <= words
    assert {*SOURCES} - {"scpi-source"} <= words
    assert {"hislip", "serial"} <= words
    assert set(SHORT) <= {name for name, _ in paths.PATHS}


def test_a_path_that_fails_is_told_in_its_line(paths):
    def refuses(_work, _folder):
        raise paths.WhichcoreError("no cable", next_step="plug it in")

    found = paths.follow("x", refuses, paths.Work(WoundCore(core("bin-h"), 10)))
    assert found.refused == "no cable; next: plug it in"


@pytest.mark.soak
@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
def test_the_same_core_through_every_family_and_line(paths, tmp_path, monkeypatch):
    """μi and μ″ agree within two of their standard uncertainties, with the truth and with each other."""
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    work = paths.Work(WoundCore(core("bin-h"), 10))
    chosen = [(name, measure) for name, measure in paths.PATHS if name in SHORT]
    outcomes = [paths.follow(name, measure, work) for name, measure in chosen]
    assert [one.refused for one in outcomes] == [""] * len(SHORT)
    # all are within; 5 % may be outside by chance (analytic: 2 u hold 95 in 100)
    assert paths.outside(outcomes)[0] <= 0.05 * paths.outside(outcomes)[1]
    assert paths.apart(outcomes)[0] <= 0.05 * paths.apart(outcomes)[1]
    for one in outcomes:
        assert abs(one.found[0].real - one.truth[0].real) < 0.1 * one.truth[0].real


@pytest.mark.soak
@pytest.mark.skipif(
    not (shutil.which("jackd") and ctypes.util.find_library("portaudio")),
    reason="needs jackd2 and libportaudio2 (apt install)",
)
def test_the_same_core_through_a_sound_card(paths, tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    work = paths.Work(WoundCore(core("bin-h"), 10))
    outcomes = [
        paths.follow(name, measure, paths.replace(work, frequency_hz=paths.SOUND[name]))
        for name, measure in paths.PATHS
        if name in paths.SOUND
    ]
    assert [one.refused for one in outcomes] == ["", ""]
    assert paths.outside(outcomes) == (0, 12)
    assert paths.apart(outcomes) == (0, 6)
