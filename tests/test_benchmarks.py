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
