"""The benchmarks run: a smoke test, not a judgement of their gates."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


@pytest.mark.soak
def test_identify_scores_a_few_draws(tmp_path):
    """Few draws of the protocols that differ most, resumed once; the gates themselves need far more."""
    rows = tmp_path / "rows.jsonl"
    protocols = ("random", "left-out", "reading", "cracked")
    command = [sys.executable, BENCHMARKS / "identify.py", "--rows", rows]
    for name in protocols:
        command += ["--protocol", name]
    for draws in ("4", "8"):
        done = subprocess.run([*command, "--draws", draws], capture_output=True, text=True, check=False)
        assert done.returncode in {0, 1}, done.stderr
    found = [json.loads(line) for line in rows.read_text("utf-8").splitlines()]
    keys = [(row["protocol"], row["k"], row["by"]) for row in found]
    # four protocols by the judge, and two of them by the posterior that knows the law
    assert len(keys) == len(set(keys)) == 8 * 6

    def ranks(protocol, by):
        return [row["rank"] for row in found if (row["protocol"], row["by"]) == (protocol, by)]

    # a judge that works names most, one reading does not, and who knows the law is not behind by much
    assert ranks("random", "judge").count(0) >= 6
    assert ranks("random", "known law").count(0) >= 7
    assert ranks("reading", "judge").count(0) <= 4
    assert all(rank == max(ranks("left-out", "judge")) for rank in ranks("left-out", "judge"))


@pytest.mark.soak
def test_identify_speed_prints_its_ratio():
    command = [sys.executable, BENCHMARKS / "identify_speed.py", "--curves", "100"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode in {0, 1}, done.stderr
    ratio = float(next(line for line in done.stdout.splitlines() if line.startswith("ratio")).split()[1])
    assert ratio > 10


@pytest.mark.soak
def test_many_stored_sweeps_are_judged_one_by_one():
    """Few sweeps against few curves: nothing is kept of them, and neither is dearer than the other."""
    command = [sys.executable, BENCHMARKS / "library_scale.py"]
    command += ["--sweeps", "40", "--curves", "16", "--points", "10"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode in {0, 1}, done.stderr
    ratios = {
        line[:18].strip(): float(line.split("ratio")[1].split()[0])
        for line in done.stdout.splitlines()
        if "ratio" in line
    }
    assert set(ratios) == {"time per sweep", "largest resident", "time per curve"}
    assert ratios["largest resident"] < 1.2
    assert ratios["time per curve"] < 1.5
    held = next(line for line in done.stdout.splitlines() if line.startswith("held"))
    # a kept verdict of 16 candidates would be some 10 KiB
    assert float(held.split()[4]) < 5


@pytest.mark.soak
def test_the_memory_of_a_sweep_is_watched():
    """A short sweep: the numbers are there and sound; the gate asks for a thousand points."""
    command = [sys.executable, BENCHMARKS / "sweep_memory.py", "--points", "40"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
    assert done.returncode in {0, 1}, done.stderr
    held = [float(line.split()[3]) for line in done.stdout.splitlines() if line.startswith("after ")]
    assert len(held) == 2
    # a kept record of 2 × 8192 bytes for each of the 36 points in between would be 576 KiB; what is prepared
    # for the record of a point is held as well, and is more or less from point to point
    assert min(held) > 0
    assert held[1] < held[0] + 576


@pytest.mark.soak
@pytest.mark.parametrize(
    ("script", "words"), [("records_scale.py", ["--many", "5000"]), ("page_server.py", [])]
)
def test_ratios_of_records_and_page_are_printed(script, words):
    done = subprocess.run(
        [sys.executable, BENCHMARKS / script, *words], capture_output=True, text=True, check=False
    )
    assert done.returncode in {0, 1}, done.stderr
    last = done.stdout.splitlines()[-1]
    assert 0 < float(last.split()[2].rstrip(",")) < 10
