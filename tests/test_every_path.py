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


def outcome(paths, off, u=10.0, name="a", frequency_hz=None):
    """A path that is off by so much at every frequency, in both parts."""
    grid = paths.FREQUENCIES_HZ if frequency_hz is None else frequency_hz
    truth = np.array([2300 - 20j, 2200 - 200j, 1500 - 1400j])[: len(grid)]
    both = np.full(len(grid), u), np.full(len(grid), u)
    return paths.Outcome(name, grid, truth + off * (1 + 1j), *both, truth)


def test_what_lies_within_its_uncertainty(paths):
    good, bad = outcome(paths, 15.0), outcome(paths, 25.0, name="b")
    assert paths.outside([good]) == (0, 6)  # analytic: 1.5 u
    assert paths.outside([good, bad]) == (6, 12)  # and 2.5 u
    assert paths.apart([good, bad]) == (0, 6)  # 10 apart, and u of the difference is 14.1
    assert paths.apart([good, outcome(paths, -15.0)]) == (6, 6)  # 30 of 14.1
    assert paths.apart([good]) == (0, 0)


def test_what_belongs_to_the_core_cancels_between_paths(paths):
    shared = {"dimension:height": np.full(3, 8.0 + 8.0j), "winding:capacitance": np.full(3, 4.0 + 0j)}
    one = paths.replace(outcome(paths, 15.0, name="one"), of_core=shared)
    two = paths.replace(outcome(paths, 5.0, name="two"), of_core=shared)
    # analytic: u² is 2·10² − 2·8² − 2·4² = 40 of the real part, 2·10² − 2·8² = 72 of the other
    assert paths.differences([one, two])[0].in_u == pytest.approx((10 / 40**0.5, 10 / 72**0.5))
    assert paths.differences([one, outcome(paths, 5.0)])[0].in_u[0] == pytest.approx(10 / 200**0.5)


def test_paths_are_compared_at_the_frequencies_that_both_reach(paths):
    wide = outcome(paths, 15.0, name="wide")
    short = outcome(paths, -15.0, name="short", frequency_hz=(10_001.0, 70_001.0))  # bins of a record
    assert paths.apart([wide, short]) == (4, 4)  # at 10 and 70 kHz, both parts: 30 of 14.1
    found = paths.differences([wide, short])
    assert [pair.frequency_hz for pair in found] == [10e3, 70e3]
    assert found[0].told() == "2.12 u, wide and short, at 10 kHz"  # analytic: 30/14.14
    far = outcome(paths, -15.0, frequency_hz=(12e3, 80e3))
    assert paths.apart([wide, far]) == (0, 0)
    lines = paths.table([wide, short]).splitlines()
    assert "not reached" not in lines[1]
    assert lines[2].count("not reached") == 1
    assert "1385.0 ± 10.0  -1.50" in lines[1]  # analytic: −(−1400 + 15), 15 less loss than true is −1.5 u
    assert paths.judged([far]) == 1  # of no use where all are compared


def test_gates(paths, capsys):
    good = [outcome(paths, off) for off in (0.0, 5.0, -5.0)]
    assert paths.judged(good) == 0
    assert paths.judged([*good, outcome(paths, 40.0)]) == 1
    assert paths.judged([outcome(paths, 0.0, u=250.0)]) == 1  # right, and of no use
    assert paths.judged([*good, paths.Outcome("c", refused="no")]) == 1
    assert paths.judged([]) == 1
    text = paths.table([good[0], paths.Outcome("c", refused="no cable")])
    assert "2300 ± 10" in text
    assert "refused: no cable" in text
    printed = capsys.readouterr().out
    assert "off the truth by more than 2 u: 0 of 18" in printed
    assert "worst difference: 0.71 u, a and a, at 10 kHz" in printed  # analytic: 10 of 14.1


def test_every_family_line_and_kind_of_source_is_on_a_path(paths):
    words = {word for name, _ in paths.PATHS for word in name.partition(":")[2].split("+")}
    assert {*DIGITIZERS} - {"scpi-digitizer"} <= words
    assert {*SOURCES} - {"scpi-source"} <= words
    assert {"hislip", "serial"} <= words
    names = [name for name, _ in paths.PATHS]
    assert set(paths.FEW) <= set(names)
    assert {*paths.SOUND, "waveform files", "by hand, off a screen"} <= set(names)
    assert len(set(names)) == len(names)


def test_a_path_that_fails_is_told_in_its_line(paths):
    def refuses(_work, _folder):
        raise paths.WhichcoreError("no cable", next_step="plug it in")

    found = paths.follow("x", refuses, paths.Work(WoundCore(core("bin-h"), 10)))
    assert found.refused == "no cable; next: plug it in"


def test_a_command_that_refuses_is_told_in_its_line(paths):
    def refuses(_work, folder):
        return sys.modules["screen_path"].run("by-hand", "sweep", "--sheet", folder / "no.csv", "--out", "x")

    found = paths.follow("x", refuses, paths.Work(WoundCore(core("bin-h"), 10)))
    assert "no.csv" in found.refused, found.refused
    assert "exit code 3" in found.refused  # contracts: input file or value


@pytest.mark.soak
@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
@pytest.mark.skipif(
    not (shutil.which("jackd") and ctypes.util.find_library("portaudio")),
    reason="needs jackd2 and libportaudio2 (apt install)",
)
def test_the_same_core_on_one_path_of_each_kind(paths, tmp_path, monkeypatch):
    """μi and μ″ agree within two of their standard uncertainties, with the truth and with each other.

    ``WHICHCORE_EVERY_PATH=all`` follows every family, line and source.
    """
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    work = paths.Work(WoundCore(core("bin-h"), 10))
    wanted = paths.FEW if os.environ.get("WHICHCORE_EVERY_PATH") != "all" else dict(paths.PATHS)
    outcomes = [
        paths.follow(
            name, measure, paths.replace(work, frequency_hz=paths.SOUND.get(name, work.frequency_hz))
        )
        for name, measure in paths.PATHS
        if name in wanted
    ]
    assert [one.refused for one in outcomes] == [""] * len(wanted)
    # 5 % may be outside by chance (analytic: 2 u hold 95 in 100)
    for found, of in (paths.outside(outcomes), paths.apart(outcomes)):
        assert found <= 0.05 * of, paths.table(outcomes)
    for one in outcomes:
        k = one.place(paths.INITIAL_HZ)
        assert abs(one.found[k].real - one.truth[k].real) < 0.1 * one.truth[k].real
    assert [one.path for one in outcomes if one.place(paths.HIGHEST_HZ) is None] == list(paths.SOUND)
