"""The how-to pages on files and on readings by hand: what they show runs as shown, from an empty folder."""

import re
import shlex
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import scope_files as scope
from whichcore.cli.root import root

PAGES = Path(__file__).resolve().parents[1] / "docs" / "how-to"
STICK = (PAGES / "measure-with-a-usb-stick.md").read_text(encoding="utf-8")
HAND = (PAGES / "measure-by-hand.md").read_text(encoding="utf-8")
NUMBER = re.compile(r"\d+(?:\.\d+)?")
RING = """[core]
shape = "ring"
outer_diameter = "25.0 mm"
inner_diameter = "15.0 mm"
height = "10.0 mm"
dimension_uncertainty = "0.03 mm"
[winding]
turns = 10
"""
AIR_H = 102.17e-9  # computed: μ0 N² h ln(d1/d2)/2π


def core(hertz):
    """An invented ferrite of μi 1501 by two relaxations, wound with ten turns."""
    mu = 1 + 600 / (1 + 1j * hertz / 1.5e6) + 900 / (1 + 1j * hertz / 5e6)
    return 0.05 + 2j * np.pi * hertz * AIR_H * mu


def blocks(page, mark):
    """Return the fenced blocks that follow a mark, with what the mark names."""
    return re.findall(rf"<!-- {mark}:? ?(\S*) -->\n```\w*\n(.*?)```", page, re.DOTALL)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("ring.toml").write_text(RING, encoding="utf-8")
    for page in (STICK, HAND):
        for name, text in blocks(page, "file"):
            Path(name).write_text(text, encoding="utf-8")
    return tmp_path


def run(line, text=None):
    words = shlex.split(line)
    assert words[0] == "whichcore"
    done = CliRunner().invoke(root, words[1:], input=text)
    assert done.exit_code == 0, done.output
    return done


def alike(kept, new):
    """Equal words; numbers within 2 %, as other versions of the numerics move a last digit."""
    kept, new = " ".join(kept.split()), " ".join(new.split())
    if NUMBER.sub("#", kept) != NUMBER.sub("#", new):
        return False
    pairs = zip(NUMBER.findall(kept), NUMBER.findall(new), strict=True)
    return all(abs(float(a) - float(b)) <= 0.02 * max(float(a), float(b)) + 0.02 for a, b in pairs)


def test_the_stick(folder, monkeypatch):
    monkeypatch.setattr(scope, "EMF_V", 0.1)
    rng = np.random.default_rng(12)
    parts = {"core": core, "open": lambda _: 1e18, "short": lambda _: 0.0, "load": lambda _: 100.0}
    for name, part in parts.items():
        for k, hertz in enumerate((2e4, 5e4, 1e5, 2e5)):
            scope.save(folder / name, f"w{k + 1}.csv", part(hertz), hertz, per_division=(0.02, 0.01), rng=rng)
    ((_, line),), ((_, shown),) = blocks(STICK, "run"), blocks(STICK, "output")
    assert alike(shown, run(line).stdout), run(line).stdout


def test_the_screen(folder):
    (_, ask), (_, sweep), (_, meter) = blocks(HAND, "run")
    (_, of_sweep), (_, of_meter) = blocks(HAND, "output")
    ((_, dialogue),) = blocks(HAND, "dialogue")
    asked = dialogue.split("2 rows in")[0].strip("\n").splitlines()
    # what stands behind the colon of a question is what was typed
    answers = [row.rsplit(":", 1)[1].strip() for row in asked if ": R =" not in row]
    done = run(ask, "\n".join(answers) + "\n")
    # on a terminal each answer ends its line; here it does not
    flat = re.sub(r"\s+", " ", done.stderr)
    for row in asked:
        if ": R =" in row:
            assert " ".join(row.split()) in flat, done.stderr
        else:
            assert " ".join(row.rsplit(":", 1)[0].split()) in flat, row
    assert "2 rows in hand.csv" in done.stdout
    assert alike(of_sweep, run(sweep).stdout), run(sweep).stdout
    assert alike(of_meter, run(meter).stdout), run(meter).stdout
