"""Writers and servers of records killed at any moment: the store opens and holds what was told to be kept."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import make_url

from postgres_server import running_server, start
from whichcore.errors import RecordError
from whichcore.records import Question, Store, open_store

pytestmark = pytest.mark.soak

psycopg = pytest.importorskip("psycopg")

WRITER_KILLS, SERVER_KILLS = 200, 40
# Imports once and forks for each writer, so that the time goes into writing; a kill is a kill.
FORKING_WRITER = """
import os, sys
from whichcore.errors import RecordError
from whichcore.records import Kind, NewRecord, open_store
for _ in sys.stdin:
    child = os.fork()
    if child == 0:
        print("pid", os.getpid(), flush=True)
        try:
            with open_store(sys.argv[1]) as store:
                n = 0
                while True:
                    n += 1
                    columns = {"shape": "ring", "turns": n}
                    new = NewRecord(Kind.CORE, "killed", str(n).encode() * 50, ".toml", columns)
                    print(store.add(new), flush=True)
        except RecordError as error:
            print("refused", error.one_line(), flush=True)
            os._exit(6)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    print("\\nended", status, flush=True)  # a writer may have been killed within a line
"""


@pytest.fixture
def served():
    """Yield the address of an empty database, the folder of its server, and what starts it."""
    with running_server(fsync=True) as (url, control):
        with psycopg.connect(f"{url}/postgres", autocommit=True) as connection:
            connection.execute("CREATE DATABASE shop")
        yield f"{url}/shop", Path(control[2]), control


@pytest.fixture(params=["sqlite", "postgresql"])
def address(request, tmp_path):
    if request.param == "sqlite":
        return str(tmp_path / "store.sqlite")
    return request.getfixturevalue("served")[0]


class Writers:
    """One writer after the other on one store, and what they were told."""

    def __init__(self, address, seed):
        self.dice = np.random.default_rng(seed)
        self.told, self.refused = set(), []
        self._opening_s = 0.2
        self._process = subprocess.Popen(
            [sys.executable, "-c", FORKING_WRITER, address],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )

    def begin(self):
        """Start a writer and return its process id."""
        self._process.stdin.write("again\n")
        return int(self._process.stdout.readline().split()[1])

    def work(self):
        """Let the writer work up to some moment: while it opens the store, or some records later."""
        begun, records = time.monotonic(), self.dice.integers(0, 8)
        if records == 0:
            time.sleep(self.dice.uniform(0, self._opening_s))
            return
        for count in range(records):
            if (code := self._hear(self._process.stdout.readline())) is not None:
                raise AssertionError(f"the writer ended by itself, with {code}: {self.refused}")
            if count == 0:
                self._opening_s = time.monotonic() - begun
        time.sleep(self.dice.uniform(0, 0.02))

    def end(self):
        """Take in what the writer was told until it ended, and return its exit code."""
        while (code := self._hear(self._process.stdout.readline())) is None:
            pass
        return code

    def _hear(self, line):
        word, _, rest = line.strip().partition(" ")
        if word == "ended":
            return int(rest)
        if word == "refused":
            self.refused.append(rest)
        elif word:
            self.told.add(word)
        return None

    def close(self):
        self._process.stdin.close()
        self._process.wait(timeout=60)
        self._process.stdout.close()


def holds(address, told):
    with Store(make_url(address if "://" in address else f"sqlite:///{address}")) as store:
        assert told <= {record.id for record in store.search(Question(most=10**6))}
        assert list(store.damaged()) == []


def test_writers_killed_at_200_moments_lose_nothing_they_were_told(address):
    writers = Writers(address, 20)
    for kill in range(WRITER_KILLS):
        pid = writers.begin()
        writers.work()
        os.kill(pid, signal.SIGKILL)
        assert writers.end() == -signal.SIGKILL
        if kill % 20 == 0:
            with open_store(address) as store:
                assert store.count(most=10**6) >= len(writers.told)
    writers.close()
    assert writers.refused == []
    assert len(writers.told) > 100
    holds(address, writers.told)


def backends(address):
    """Return the processes of the server that serve others."""
    with psycopg.connect(address, autocommit=True) as connection:
        rows = connection.execute(
            "SELECT pid FROM pg_stat_activity WHERE datname = 'shop' AND pid <> pg_backend_pid()"
        )
        return [row[0] for row in rows]


def answers(address, control):
    """Wait until the server answers again; one whose first process was killed is started."""
    for _ in range(600):  # a minute
        with contextlib.suppress(psycopg.Error), psycopg.connect(address, connect_timeout=5):
            return
        with contextlib.suppress(subprocess.CalledProcessError):
            start(control)  # refused while the killed one's children are still ending
        time.sleep(0.1)
    raise AssertionError("the server does not come again")


def test_a_server_killed_at_40_moments_loses_nothing_it_told_and_writers_say_so_in_one_line(served):
    address, folder, control = served
    writers, first = Writers(address, 21), 0
    for kill in range(SERVER_KILLS):
        writers.begin()
        writers.work()
        serving = backends(address) if kill % 2 else []
        if not serving:  # the whole server, by its first process
            serving, first = [int((folder / "postmaster.pid").read_text().split()[0])], first + 1
        for pid in serving:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        assert writers.end() == 6  # the exit code of records: refused by an error of our own
        answers(address, control)
        if kill % 10 == 0:
            with open_store(address) as store:
                assert store.count(most=10**6) >= len(writers.told)
    writers.close()
    assert first >= SERVER_KILLS // 2
    assert len(writers.refused) == SERVER_KILLS
    assert all("\n" not in line and "the database" in line for line in writers.refused), writers.refused
    assert len(writers.told) > 100
    holds(address, writers.told)


def test_a_server_that_is_away_is_one_line_and_the_same_store_goes_on_when_it_is_back(served):
    address, folder, control = served
    with open_store(address) as store:
        os.kill(int((folder / "postmaster.pid").read_text().split()[0]), signal.SIGKILL)
        for _ in range(600):  # a minute, until its children have seen it
            try:
                store.count()
            except RecordError as error:
                assert "cannot be reached" in error.one_line()  # noqa: PT017 - it may take some tries
                break
            time.sleep(0.1)
        else:
            raise AssertionError("a killed server still answers")
        answers(address, control)
        assert store.count() == 0
