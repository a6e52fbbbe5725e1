"""The benchmarks run: a smoke test, not a judgement of their gates."""

import subprocess
import sys
from pathlib import Path

import pytest

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


@pytest.mark.soak
def test_identify_scores_a_few_draws():
    command = [sys.executable, BENCHMARKS / "identify.py", "--draws", "24", "--law", "all"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode in {0, 1}, done.stderr
    assert done.stdout.count("calibration error") == 3
    first = [float(line.split()[-1]) for line in done.stdout.splitlines() if line.startswith("first  ")]
    # a judge that works at all names more than half of them; the gate itself needs far more draws
    assert len(first) == 3
    assert min(first) > 0.5


@pytest.mark.soak
def test_identify_speed_prints_its_ratio():
    command = [sys.executable, BENCHMARKS / "identify_speed.py"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode in {0, 1}, done.stderr
    ratio = float(next(line for line in done.stdout.splitlines() if line.startswith("ratio")).split()[1])
    assert ratio > 10


@pytest.mark.soak
def test_the_memory_of_a_sweep_is_watched():
    """A short sweep: the numbers are there and sound; the gate asks for a thousand points."""
    command = [sys.executable, BENCHMARKS / "sweep_memory.py", "--points", "40"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
    assert done.returncode in {0, 1}, done.stderr
    held = [float(line.split()[3]) for line in done.stdout.splitlines() if line.startswith("after ")]
    assert len(held) == 2
    # a kept record of 2 × 8192 bytes for each of the 36 points in between would be 576 KiB
    assert 0 < held[0] <= held[1] < held[0] + 576
