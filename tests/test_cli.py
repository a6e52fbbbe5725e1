"""The command line as a whole: help, documentation, ways out, streams, signals."""

import contextlib
import importlib.util
import json
import os
import re
import signal
import subprocess
import sys
import time
import warnings
from pathlib import Path
from xml.etree import ElementTree as ET

import click
import pytest
from click.testing import CliRunner
from PIL import Image

from whichcore.cli import interrupt
from whichcore.cli import root as root_module
from whichcore.cli.root import root
from whichcore.cli.session import Session
from whichcore.errors import (
    CalibrationError,
    InputError,
    InstrumentError,
    RecordError,
    WhichcoreError,
    WhichcoreWarning,
)

ROOT = Path(__file__).resolve().parents[1]
ENTRY = "import sys; from whichcore.cli import main; main()"


def _process(*words, **more):
    environment = {**os.environ, **more.pop("env", {})}
    return subprocess.Popen(
        [sys.executable, "-c", ENTRY, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment,
        # what runs in the background, or under nohup, ignores some signals; here they are what is tested
        preexec_fn=None if os.name == "nt" else _hear_interrupts,  # noqa: PLW1509 - no threads here yet
        **more,
    )


def _hear_interrupts():
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


def _run(*words):
    return CliRunner().invoke(root, list(words))


def _reference():
    spec = importlib.util.spec_from_file_location("reference", ROOT / "docs" / "make_command_reference.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


reference = _reference()
CONTEXTS = {context.command_path: context for context in reference.contexts(root)}


# --- help and documentation ---------------------------------------------------------------------------------


@pytest.mark.parametrize("words", [["--help"], ["library", "--help"], ["--version"], []])
def test_help_imports_nothing_heavy(words):
    code = (
        "import sys; from whichcore.cli import main\n"
        "try: main()\n"
        "except SystemExit as end: print(end.code, file=sys.stderr)\n"
        "heavy = {'numpy', 'scipy', 'rich', 'matplotlib', 'pydantic'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=True)
    assert done.stderr == "0\n[]\n"
    assert "whichcore" in done.stdout


@pytest.mark.parametrize("path", list(CONTEXTS))
def test_every_command_and_option_is_documented(path):
    command = CONTEXTS[path].command
    assert command.help
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help, f"{path} {parameter.opts}"
            sentence = re.sub(r"\s*\[default: .*\]$", "", parameter.help)
            assert sentence.endswith("."), f"{path} {parameter.opts}: no sentence"
        else:
            # arguments have no help of their own: the text of the command speaks of them
            assert parameter.make_metavar(CONTEXTS[path]).strip("[].") in command.help


@pytest.mark.parametrize(
    "group", [path for path, c in CONTEXTS.items() if isinstance(c.command, click.Group)]
)
def test_groups_list_each_command_in_a_line(group):
    for name, (module, line) in CONTEXTS[group].command.entries.items():
        assert line.endswith(".")
        assert f"{group} {name}" in CONTEXTS
        assert module.startswith("whichcore.cli.")


def test_every_command_reports_as_json():
    for path, context in CONTEXTS.items():
        assert any("--json" in parameter.opts for parameter in context.command.params), path


def test_the_reference_page_is_current():
    assert reference.TARGET.read_text(encoding="utf-8") == reference.text(), (
        "run docs/make_command_reference.py"
    )


# --- called wrongly -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["identfy"], "did you mean identify?"),
        (["--nonsense"], "--nonsense"),
        (["library", "lst"], "did you mean list?"),
        (["identify"], "--specimen"),
        (["identify", "--specimen"], "--specimen"),
        (["identify", "--specimen", "x.toml"], "--sweep FILE, --reading TEXT"),
        (["identify", "--specmen", "x.toml"], "did you mean --specimen"),
        (["identify", "--specimen", "x.toml", "--sold-as"], "see whichcore identify --help"),
        (
            ["identify", "--specimen", "x.toml", "--specimen", "y.toml"],
            "identify --specimen: this option may",
        ),
        (["records", "list", "--since=2026-01-01", "--tag", "a", "--since=2026-01-02"], "list --since: this"),
        (["library", "show"], "ID"),
        (["library", "list", "--class", "Unobtainium"], "Unobtainium"),
        (["library", "screening", "--csv", "--json"], "--csv and --json"),
        (["demo", "surplus"], "surplus"),
        (["demo", "--bin", "z"], "a, b, c, d, e, f, g"),
    ],
)
def test_a_command_called_wrongly_is_one_line_and_code_2(words, told):
    done = _run(*words)
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
    assert told in done.stderr
    as_json = _run(*words, *([] if "--json" in words else ["--json"]))
    error = json.loads(as_json.stdout)["error"]
    assert list(error) == ["code", "what", "where", "got", "allowed", "next"]
    assert error["code"] == "usage"
    assert as_json.exit_code == 2


def test_nothing_named_shows_the_help():
    assert _run().output == _run("--help").output
    assert _run("library").exit_code == 0


# --- ways out -----------------------------------------------------------------------------------------------


def _failing(monkeypatch, error):
    _command(monkeypatch, lambda: (_ for _ in ()).throw(error))


def _command(monkeypatch, callback):
    command = click.Command("made", callback=callback)
    monkeypatch.setitem(root_module.COMMANDS, "made", ("whichcore.cli.made", "Made up."))
    monkeypatch.setitem(sys.modules, "whichcore.cli.made", type("Module", (), {"command": command}))


@pytest.mark.parametrize(
    ("error", "code"),
    [
        # the table of exit codes in docs/reference/commands.md
        (InstrumentError("no answer"), 4),
        (CalibrationError("too old"), 5),
        (RecordError("full"), 6),
        (WhichcoreError("lost"), 70),
        (ZeroDivisionError("by nothing"), 70),
        (MemoryError(), 70),
        (KeyboardInterrupt(), 130),
        (EOFError(), 130),
        (PermissionError(13, "Permission denied", "secret.csv"), 3),
    ],
)
def test_every_error_has_its_exit_code_and_one_line(monkeypatch, error, code):
    _failing(monkeypatch, error)
    done = _run("made")
    assert done.exit_code == code
    assert done.stdout == ""
    assert done.stderr.startswith("whichcore: ")
    assert done.stderr.count("\n") == 1


def test_a_traceback_only_with_debug(monkeypatch):
    _failing(monkeypatch, ZeroDivisionError("by nothing"))
    plain, debug = _run("made"), _run("--debug", "made")
    assert "Traceback" not in plain.stderr
    assert "--debug" in plain.stderr
    assert "Traceback" in debug.stderr
    assert debug.exit_code == 70


def test_an_error_cannot_steer_the_terminal():
    done = _run("library", "show", "\x1b[31mred")
    assert done.exit_code == 3
    assert "got \ufffd[31mred" in done.stderr
    assert done.stderr.count("\n") == 1


def test_a_warning_is_told_once_and_only_those_for_the_user(monkeypatch):
    def warns():
        for _ in range(2):
            warnings.warn("mind the gap", WhichcoreWarning, stacklevel=1)

    _command(monkeypatch, warns)
    done = _run("made")
    assert (done.exit_code, done.stderr) == (0, "warning: mind the gap\n")


# --- as a process -------------------------------------------------------------------------------------------


def test_the_installed_command_is_this_one():
    (script,) = (
        line
        for line in (ROOT / "pyproject.toml").read_text(encoding="utf-8").splitlines()
        if line.startswith("whichcore = ") and "cli" in line
    )
    assert script == 'whichcore = "whichcore.cli:main"'


@pytest.mark.parametrize("encoding", ["ascii", pytest.param("latin-1", marks=pytest.mark.soak)])
def test_output_is_utf8_whatever_the_console_says(encoding):
    env = {"PYTHONIOENCODING": encoding, "LC_ALL": "C", "LANG": "C"}
    process = _process("library", "show", "mnzn-2300-derived", env=env)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert "Curie temperature: 215 °C" in out.decode("utf-8")
    process = _process("library", "show", "Ω", env=env)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 3
    assert "Ω" in err.decode("utf-8")


def test_a_closed_pipe_ends_quietly():
    process = _process("library", "list", "--json")
    process.stdout.close()
    err = process.stderr.read()
    assert (process.wait(timeout=60), err) == (0, b"")
    process.stderr.close()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full device here")
def test_a_full_disk_is_one_line():
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-c", ENTRY, "library", "--help"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 3
    assert done.stderr.count("\n") == 1
    assert "No space left" in done.stderr


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such signals")
@pytest.mark.parametrize(
    "number", ["SIGTERM", *(pytest.param(other, marks=pytest.mark.soak) for other in ("SIGHUP", "SIGINT"))]
)
def test_a_stopped_demo_leaves_whole_files_and_code_130(tmp_path, number):
    folder = tmp_path / "demo"
    process = _process("demo", "--without-bench", "--out", str(folder))
    deadline = time.monotonic() + 60
    while not list(folder.glob("*.png")) and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.02)
    process.send_signal(getattr(signal, number))
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (130, b"")
    assert err.decode("utf-8") == "whichcore: stopped; every finished file is whole\n"
    files = list(folder.iterdir())
    assert files
    for file in files:
        if file.suffix == ".svg":
            ET.parse(file)  # noqa: S314 - our own file
        else:
            assert file.suffix == ".png"
            with Image.open(file) as image:
                image.load()


def test_a_wish_to_stop_does_not_cut_an_error_short(monkeypatch):
    session, told = Session(), []

    def note(text):
        interrupt.stop(signal.SIGTERM, None)
        told.append(text)

    monkeypatch.setattr(session, "note", note)

    def work():
        raise InputError("no such thing", where="here")

    assert session.run(work) == 3
    assert told == ["whichcore: here: no such thing"]


def test_an_interrupt_that_got_lost_still_stops():
    """Python drops an exception raised in a finaliser; the wish to stop must outlive it."""
    with contextlib.suppress(KeyboardInterrupt):
        interrupt.stop(signal.SIGINT, None)
    session, printed = Session(), []
    code = session.run(lambda: session.deliver(dict, lambda: printed.append("result") or "result"))
    assert (code, printed) == (130, [])
    assert Session().run(interrupt.check) == 0  # and it is spent


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such signals")
def test_a_signal_told_to_be_ignored_stays_ignored():
    code = (
        "import signal, sys; sys.argv = ['whichcore', '--help']\n"
        "signal.signal(signal.SIGHUP, signal.SIG_IGN)\n"
        "from whichcore.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN\n"
        "assert signal.getsignal(signal.SIGTERM) is not signal.SIG_DFL"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)


@pytest.mark.parametrize(("said", "used"), [(None, "1"), ("3", "3")])
def test_linear_algebra_keeps_to_one_thread_unless_told_otherwise(said, used):
    code = (
        "import atexit, os, sys\n"
        "sys.argv = ['whichcore', '--help']\n"
        "from whichcore.cli import main\n"
        "told = lambda: print('threads', os.environ['OPENBLAS_NUM_THREADS'], 'numpy' in sys.modules)\n"
        "atexit.register(told)\n"
        "main()\n"
    )
    env = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    env |= {} if said is None else {"OPENBLAS_NUM_THREADS": said}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
    # set before numpy is there, which reads it once
    assert done.stdout.splitlines()[-1] == f"threads {used} False"
