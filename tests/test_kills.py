"""A sweep killed at any moment: no finished point is lost, and the next start is to an output off."""

import json
import random
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from click.testing import CliRunner

from bench_of_its_own import write_bench
from whichcore.cli.root import root
from whichcore.files import load_sweep
from whichcore.rig.virtual import VirtualBench, WoundCore, core

KILLS = 200
WAYS = (
    ("--order", "rising"),
    ("--order", "interleaved"),
    ("--zero-field", "2"),
    ("--zero-field", "2", "--order", "interleaved"),
)
BAND = ("--from", "20k", "--to", "2M", "--points-per-decade", "3")
POINTS = 7
# Imports once and forks for each command, so that the time goes into sweeps; a kill is a kill.
STARTER = """
import json, os, signal, sys, time
import whichcore.cli.sweep, whichcore.measure
from whichcore.cli import main
for line in sys.stdin:
    asked = json.loads(line)
    child = os.fork()
    if child == 0:
        told = os.open(asked["told"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(told, 1)
        os.dup2(told, 2)
        sys.argv = ["whichcore", *asked["words"]]
        code = 70
        try:
            main()
            code = 0
        except SystemExit as end:
            code = end.code or 0
        finally:
            os._exit(code)
    ended, status, due = 0, 0, None
    while not ended and asked["after_s"] is not None:
        ended, status = os.waitpid(child, os.WNOHANG)
        if due is None and os.path.exists(asked["out"]):
            due = time.monotonic() + asked["after_s"]
        if not ended and due is not None and time.monotonic() >= due:
            os.kill(child, signal.SIGKILL)
            break
        time.sleep(0.002)
    if not ended:
        status = os.waitpid(child, 0)[1]
    print(os.waitstatus_to_exitcode(status), flush=True)
"""


def rows(path):
    if not path.exists():
        return []
    return [line for line in path.read_text().split("\n")[:-1] if line and line[0].isdigit()]


class Victim:
    """One bench and the sweeps on it."""

    def __init__(self, folder, way, seed):
        self.folder, self.way, self.dice = folder, way, random.Random(seed)  # noqa: S311 - moments, no secrets
        folder.mkdir()
        self.out, self.told = folder / "out.csv", folder / "told.txt"
        self.kept, self.kills, self.found_on, self.length_s = [], 0, 0, 1.0

    def words(self):
        named = ("--bench", self.folder / "bench.toml", "--specimen", self.folder / "ring.toml")
        level = ("--flux-density", "0.5 mT", "--out", self.out)
        return [str(word) for word in ("sweep", *named, *level, *self.way)]

    def run(self, bench, wanted):
        """Kill so many sweeps, and now and then let one end."""
        self.bench = bench
        starter = subprocess.Popen(
            [sys.executable, "-c", STARTER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        with starter:
            self.ends(starter)
            while self.kills < wanted:
                self.begins_anew_when_full()
                if self.dice.random() < 0.1:
                    self.ends(starter)
                else:
                    self.is_killed(starter)
            self.begins_anew_when_full()
            self.ends(starter)
            starter.stdin.close()
        return self

    def begins_anew_when_full(self):
        if len(self.kept) == POINTS:
            self.out.unlink()
            self.kept = []

    def start(self, starter, after_s=None):
        """Run the command, killed so long after its file is there, and return its exit code."""
        asked = {"words": self.words(), "told": str(self.told), "out": str(self.out), "after_s": after_s}
        starter.stdin.write(json.dumps(asked) + "\n")
        starter.stdin.flush()
        return int(starter.stdout.readline())

    def is_killed(self, starter):
        code = self.start(starter, self.dice.uniform(0, self.length_s))
        if code == -signal.SIGKILL:
            self.kills += 1
        else:
            self.length_s *= 0.8  # it ended by itself: the machine has less to do than it had
        self.look()

    def ends(self, starter):
        was_on = self.bench.state()["output"]
        begun = time.monotonic()
        code = self.start(starter)
        whole = time.monotonic() - begun
        told = self.told.read_text()
        assert code == 0, told
        if not self.kept:
            self.length_s = whole  # of a sweep from its first point to its last
        assert ("the output was on at the start" in told) is was_on, told
        self.found_on += was_on
        assert not self.bench.state()["output"]
        self.look()
        assert len(self.kept) == POINTS
        assert load_sweep(self.out).frequency_hz.size == POINTS

    def look(self):
        now = rows(self.out)
        assert now[: len(self.kept)] == self.kept
        self.kept = now


def swept_to_death(victims, wanted):
    with ThreadPoolExecutor(len(victims)) as pool:
        return list(pool.map(lambda pair: pair[0].run(pair[1], wanted), victims))


@pytest.mark.soak
def test_two_hundred_kills_lose_no_finished_point(tmp_path):
    victims = [Victim(tmp_path / f"{k}", way, k) for k, way in enumerate(WAYS)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
        benches = [VirtualBench(seed=k) for k in range(len(WAYS))]
        try:
            for victim, bench in zip(victims, benches, strict=True):
                bench.__enter__()
                write_bench(victim.folder, bench)
                (victim.folder / "ring.toml").write_text(WoundCore(core("bin-h"), 10).specimen_toml())
            patch.setattr("whichcore.cli.at_bench.TerminalOperator.fit", lambda _, name: benches[0].fit(name))
            words = ("calibrate", "--bench", str(victims[0].folder / "bench.toml"), *BAND)
            done = CliRunner().invoke(root, [*words, "--standards", "open,short,load"])
            assert done.exit_code == 0, done.output
            for bench in benches:
                bench.fit("core", core="bin-h", turns=10)
            swept_to_death(list(zip(victims, benches, strict=True)), KILLS // len(WAYS))
        finally:
            for bench in benches:
                bench.__exit__(None, None, None)
    assert sum(victim.kills for victim in victims) >= KILLS
    assert sum(victim.found_on for victim in victims) > 3
