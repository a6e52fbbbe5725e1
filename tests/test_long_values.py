"""A value that fills pages is shortened where it is shown; paths, commands and lists stay whole."""

import os
import subprocess
import sys

import pytest

from whichcore.cli.root import root
from whichcore.errors import LONGEST_CLAUSE, LONGEST_WORD, InputError

LONG = "z" * 5000


@pytest.mark.parametrize("clause", ["what", "where", "allowed", "next_step"])
def test_a_word_that_fills_pages_is_shown_by_its_ends(clause):
    told = {"what": "a value is wrong"} | {clause: f"before {LONG}.csv, line 3"}
    error = InputError(told.pop("what"), **told)
    for shown in (error.one_line(), " ".join(error.to_dict().values())):
        assert len(shown) < LONGEST_WORD + 120
        assert "before zzz" in shown
        assert "(5005 characters)" in shown
        assert shown.count("zz.csv, line 3") == 1
    assert LONG in getattr(error, clause)  # kept whole: only what is shown is short


def test_paths_and_lists_of_faults_stay_whole():
    path = "/".join(["folder-of-some-length"] * 15)
    assert len(path) < LONGEST_WORD
    faults = ", ".join(f"fault number {k}" for k in range(150))
    error = InputError("the file is wrong", where=path, next_step=faults)
    assert f"{path}: the file is wrong" in error.one_line()
    assert error.to_dict()["next"] == faults


def test_many_short_words_are_cut_as_a_whole():
    assert len(InputError("x " * 9000).one_line()) < LONGEST_CLAUSE + 40


def test_a_wrong_option_is_told_in_a_few_lines(capsys):
    with pytest.raises(SystemExit):
        root.main(["fit", "--specimen", "a", "--sweep", "b", "--model", LONG], prog_name="whichcore")
    told = capsys.readouterr().err
    assert "zz… (" in told
    assert len(told) < 1000


def test_the_program_starts_as_a_module_too():
    done = subprocess.run(
        [sys.executable, "-m", "whichcore", "no-such-command"],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONIOENCODING": "utf-8"},
        check=False,
        timeout=60,
    )
    assert done.returncode == 2
    assert done.stderr.startswith("whichcore: whichcore: there is no such command; got no-such-command")
    assert "Traceback" not in done.stderr
