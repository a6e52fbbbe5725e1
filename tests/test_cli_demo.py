"""``whichcore demo``: names, pictures and a table, and nothing overwritten."""

import functools
import importlib.util
import json
import math
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from matplotlib.figure import Figure
from rich.cells import cell_len

from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.verdict import Candidate, InitialPermeability, Verdict, VerdictKind
from whichcore.cli.demo import learned
from whichcore.cli.root import root
from whichcore.verdict_words import measured_sentence, verdict_sentence
from whichcore.workflow import demo_bins, identify_files

_spec = importlib.util.spec_from_file_location(
    "make_bench_library", Path(__file__).resolve().parents[1] / "docs" / "make_bench_library.py"
)
bench_references = importlib.util.module_from_spec(_spec)
sys.modules[_spec.name] = bench_references
_spec.loader.exec_module(bench_references)
KINDS = ("impedance", "permeability", "decision", "gap-invariant", "candidates")
LIBRARIES = {}


@pytest.fixture(autouse=True)
def _plain(monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)


@functools.cache
def _judged(request, ids):
    return identify_files(request, LIBRARIES[ids])


@pytest.fixture
def judged_once(monkeypatch):
    """Judge each bin against a library once for all the tests that ask how it is shown."""

    def judge(request, library):
        ids = tuple(material.id for material in library.materials)
        LIBRARIES[ids] = library
        return _judged(request, ids)

    monkeypatch.setattr("whichcore.cli.demo.identify_files", judge)


def _run(*words):
    return CliRunner().invoke(root, ["demo", *map(str, words)])


@pytest.mark.usefixtures("judged_once")
def test_bins_get_verdicts_pictures_and_a_lesson(tmp_path):
    done = _run("--out", tmp_path / "out", "--bin", "b", "--bin", "g")
    assert done.exit_code == 0, done.stderr
    made = {path.name for path in (tmp_path / "out").iterdir()}
    # a bin without a sweep has no curves to draw
    assert made == {f"bin-b-{k}.{e}" for k in KINDS for e in ("svg", "png")} | {
        f"bin-g-candidates.{e}" for e in ("svg", "png")
    }
    assert done.stdout.count("Verdict: ") == done.stdout.count("Learned: ") == 2
    assert "12 pictures are in " in done.stdout
    words = " ".join(done.stdout.split())
    assert "Judged by 10 materials of the workshop's own library, " in words
    assert re.search(r"and the \d{2,} generic ones that come with the program\.", words)
    assert "truth.toml" in done.stdout
    assert "\x1b" not in done.output


def test_all_bins_as_json(tmp_path, monkeypatch):
    monkeypatch.setattr("whichcore.cli.demo.write_pictures", lambda *_, **__: [])
    done = _run("--out", tmp_path / "out", "--json", "--without-bench")
    found = json.loads(done.stdout)
    assert found["bench"] is None
    assert [entry["id"] for entry in found["bins"]] == [item.id for item in demo_bins()]
    for entry in found["bins"]:
        verdict = entry["verdict"]
        total = math.fsum(c["probability"] for c in verdict["candidates"]) + verdict["unlisted_probability"]
        assert math.isclose(total, 1.0, abs_tol=1e-9)  # the contract
        assert entry["learned"].endswith((".", "!"))
    assert len(found["warnings"]) == len(set(found["warnings"]))
    ids = {c["material"] for c in found["bins"][0]["verdict"]["candidates"]}
    assert {"shop-power-a", "mnzn-2300-derived"} <= ids  # both libraries are used
    assert Path(found["library"]).is_dir()


def test_the_demo_does_not_look_at_the_answers(tmp_path, monkeypatch):
    opened = []
    real = Path.read_text

    def noted(path, *args, **named):
        opened.append(path.name)
        return real(path, *args, **named)

    monkeypatch.setattr(Path, "read_text", noted)
    monkeypatch.setattr("whichcore.cli.demo.write_pictures", lambda *_, **__: [])
    assert _run("--out", tmp_path / "out", "--bin", "a").exit_code == 0
    assert "bins.toml" in opened
    assert "truth.toml" not in opened


@pytest.mark.parametrize("kind", ["file", "folder"])
def test_what_is_there_is_not_overwritten(tmp_path, kind):
    place = tmp_path / "out"
    mine = place if kind == "file" else place / "mine.txt"
    mine.parent.mkdir(exist_ok=True)
    mine.write_text("mine", encoding="utf-8")
    done = _run("--out", place)
    assert (done.exit_code, done.stdout) == (3, "")
    assert "--out" in done.stderr
    assert done.stderr.count("\n") == 1
    assert mine.read_text(encoding="utf-8") == "mine"


@pytest.mark.usefixtures("judged_once")
def test_the_default_folder_and_an_empty_one(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("whichcore.cli.demo.write_pictures", lambda *_, **__: [])
    assert _run("--bin", "g").exit_code == 0
    assert (tmp_path / "whichcore-demo").is_dir()
    assert _run("--bin", "g").exit_code == 0  # still empty, for no picture was drawn


@pytest.mark.parametrize("width", [40, 60])
@pytest.mark.usefixtures("judged_once")
def test_a_narrow_terminal_stays_readable(tmp_path, monkeypatch, width):
    monkeypatch.setattr("whichcore.cli.demo.write_pictures", lambda *_, **__: [])
    monkeypatch.setattr("whichcore.cli.demo.demo_folder", lambda: Path("here"))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", str(width))
    done = _run("--bin", "g")
    assert max(cell_len(line) for line in done.stdout.splitlines()) <= width


@pytest.mark.soak
def test_a_terminal_shows_progress_on_stderr_only(tmp_path):
    pty = pytest.importorskip("pty", reason="Windows has no pseudo-terminals")
    ours, theirs = pty.openpty()
    code = "from whichcore.cli import main; main()"
    with subprocess.Popen(
        [sys.executable, "-c", code, "demo", "--out", str(tmp_path / "out"), "--bin", "g"],
        stdout=subprocess.PIPE,
        stderr=theirs,
        env={**os.environ, "TERM": "xterm"},
    ) as process:
        out = process.stdout.read()
    shown = os.read(ours, 100_000).decode("utf-8", "replace")  # a full buffer may end within a character
    for end in (ours, theirs):
        os.close(end)
    assert process.returncode == 0
    assert "Bin G" in shown
    assert b"\x1b" not in out
    assert b"Bin G" in out


# --- words --------------------------------------------------------------------------------------------------


MIXED = (Candidate("x", "NiZn", 0.6), Candidate("z", "MnZn", 0.3))


def _verdict(kind, materials=(), material_class=None, probability=0.9, **more):
    more = {"candidates": (Candidate("x", "NiZn", 0.6), Candidate("y", "NiZn", 0.3))} | more
    return Verdict(
        kind=kind,
        materials=materials,
        material_class=material_class,
        probability=probability,
        unlisted_probability=0.1,
        initial_permeability=InitialPermeability(813.4, 11.4, 1e3, 1e-3, 23.0),
        next_measurement="Measure more.",
        **more,
    )


@pytest.mark.parametrize(
    ("verdict", "text"),
    [
        (_verdict(VerdictKind.MATERIAL, ("x",), "NiZn", 0.97), "very probably Ex (x), NiZn: 97 %."),
        (
            _verdict(VerdictKind.GROUP, ("x", "y"), "NiZn"),
            "probably NiZn, one of 2 materials these data cannot tell apart: Ex (x) or y (y): 90 % together.",
        ),
        (
            _verdict(VerdictKind.GROUP, ("x", "z"), candidates=MIXED),
            "probably one of 2 materials, NiZn or MnZn, that these data cannot tell apart: Ex (x) or z (z): "
            "90 % together.",
        ),
        (
            _verdict(VerdictKind.CLASS, ("x", "y"), "NiZn", 0.9999),
            "almost certainly NiZn, but the grade stays open: > 99.9 % for the class. Likeliest is Ex (x) "
            "at 60 %; none of the references is at 10 %.",
        ),
        (
            _verdict(VerdictKind.UNLISTED, probability=0.55),
            "more likely than not none of the 2 reference materials: 55 %.",
        ),
        (
            _verdict(VerdictKind.UNDECIDED, probability=0.6),
            "undecided. Likeliest is Ex (x) at 60 %; none of the references is at 10 %.",
        ),
        (
            _verdict(VerdictKind.UNDECIDED, probability=0.6, void=True),
            "undecided: the data failed a test after which they say nothing of the material.",
        ),
    ],
)
def test_verdict_in_a_sentence(verdict, text):
    assert verdict_sentence(verdict, {"x": "Ex"}) == text


def test_measured_permeability_in_a_sentence():
    assert measured_sentence(_verdict(VerdictKind.UNLISTED).initial_permeability) == (
        "Measured μ′ = 813 ± 11 (standard uncertainty) at 1 kHz, 1 mT peak, 23 °C."
    )


@pytest.mark.parametrize("name", [item.value for item in MaterialClass])
def test_every_class_has_a_use(name):
    assert learned(_verdict(VerdictKind.CLASS, ("x",), name)).endswith(".")


def test_the_lesson_follows_the_verdict():
    assert "no name" in learned(_verdict(VerdictKind.UNLISTED))
    assert learned(_verdict(VerdictKind.UNDECIDED)).endswith("Measure more.")
    cracked = learned(_verdict(VerdictKind.CLASS, ("x",), "MnZn", gapped_probability=0.5))
    assert cracked.startswith("Likely cracked or gapped (50 %)")


@pytest.mark.usefixtures("judged_once")
def test_a_picture_cut_short_leaves_no_trace(tmp_path, monkeypatch):
    def stopped(_figure, file, **_):
        file.write(b"half")
        raise KeyboardInterrupt

    monkeypatch.setattr(Figure, "savefig", stopped)
    done = _run("--out", tmp_path / "out", "--bin", "g")
    assert (done.exit_code, done.stdout) == (130, "")
    assert done.stderr == "whichcore: stopped; every finished file is whole\n"
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.soak
def test_the_whole_demonstration_names_what_it_measured(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    done = _run("--out", tmp_path / "out", "--json")
    assert done.exit_code == 0, done.stderr
    bench = json.loads(done.stdout)["bench"]
    named = {entry["id"]: entry["verdict"]["verdict"]["materials"] for entry in bench["cores"]}
    # computed: docs/make_bench_library.py made each reference from the circuit of the core it belongs to
    assert (named["bin-h"], named["bin-l"]) == (["shop-power-h"], ["shop-dust-l"])
    # computed: 7 um of air in the circuit of bin-i; a whole core of less permeability looks much the same, so
    # either the crack is told, or it is said that the two cannot be told apart and what would do it
    cracked = bench["cores"][1]
    assert named["bin-i"] in ([], ["shop-power-i"])
    assert "crack" in cracked["learned"]
    assert any(
        "cracked core of shop-power-i" in text or "cracked or gapped" in text
        for text in cracked["verdict"]["warnings"]
    )
    assert "cracked" not in bench["cores"][0]["learned"]
    assert (tmp_path / "out" / "bench" / "calibration.npz").is_file()
    assert len(list((tmp_path / "out").glob("bench-*.png"))) == 3 * 5


def test_the_references_of_the_bench_are_those_their_script_makes():
    for piece in bench_references.PIECES:
        for name, text in bench_references.files(piece).items():
            assert (bench_references.TARGET / name).read_text(encoding="utf-8") == text
