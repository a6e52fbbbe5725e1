"""A PostgreSQL server of the tests' own, in a folder of its own, on a free port of this machine."""

import contextlib
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from pathlib import Path

import pytest

ACCOUNT = "postgres"  # the server refuses to run as root
MEMORY = Path("/dev/shm")  # noqa: S108 - a folder of its own in it
ROOM = 1 << 30  # some forty databases of 8 MiB, and as much again


def _programs():
    found = shutil.which("initdb")
    folders = [Path(found).parent] if found else []
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for folder in folders:
        if (folder / "initdb").exists():
            return folder
    pytest.skip("PostgreSQL is not installed")


def _as_server(*words):
    prefix = ("runuser", "-u", ACCOUNT, "--") if os.geteuid() == 0 else ()
    return subprocess.run([*prefix, *map(str, words)], check=True, capture_output=True, text=True, cwd="/")


def _place():
    """Return a folder in memory, where making and removing a database is quick, if there is room."""
    if os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ROOM:
        return MEMORY
    return None


@contextlib.contextmanager
def running_server(*, fsync=False):
    """Yield the beginning of the URL of every database of a new server, and what controls it.

    Without fsync it is quicker and in memory: what is written outlives its end, not that of the machine.
    """
    programs = _programs()
    folder = Path(tempfile.mkdtemp(prefix="records-", dir=None if fsync else _place()))
    if os.geteuid() == 0:
        account = pwd.getpwnam(ACCOUNT)
        os.chown(folder, account.pw_uid, account.pw_gid)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = folder / "data"
    made = ("-D", data, "-U", "keeper", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
    _as_server(programs / "initdb", *made)
    options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={folder}"
    options += "" if fsync else " -c fsync=off"
    control = (programs / "pg_ctl", "-D", data, "-w")
    control = (*control, "-l", folder / "log", "-o", options)
    start(control)
    try:
        yield f"postgresql://keeper@127.0.0.1:{port}", control
    finally:
        with contextlib.suppress(subprocess.CalledProcessError):
            stop(control)
        shutil.rmtree(folder, ignore_errors=True)


def start(control):
    """Start the server, and wait until it answers."""
    _as_server(*control, "start")


def stop(control):
    """Stop the server at once, as a pulled plug would."""
    _as_server(*control, "-m", "immediate", "stop")
