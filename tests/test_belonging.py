"""A sweep that says it is of another core than the specimen file is told; the program's own files are not."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from identification import ring, wound
from whichcore.belonging import belonging_doubts, names_differ
from whichcore.cli.root import root
from whichcore.files import load_specimen, load_sweep, write_sweep
from whichcore.records import keep_core, keep_sweep, open_store
from whichcore.web import judge
from whichcore.web.folders import specimen_file
from whichcore.workflow import demo_bins, demo_folder

BINS = demo_folder()


@pytest.fixture(autouse=True)
def _home(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))


def _sweep(**notes):
    return replace(wound(np.full(120, 850.0 + 0j)), notes=notes)


@pytest.mark.parametrize(
    ("said", "name", "file", "differ"),
    [
        ("bin-a.toml", "bin-a", "bin-a.toml", False),
        ("bin-a", "bin-a", "elsewhere/bin-a.toml", False),
        ("/cores/bin-a.toml", "bin-a", "bin-a.toml", False),
        ("C:\\cores\\Bin-A.toml", "bin-a", "bin-a.toml", False),
        ("bin 7, piece 1", "bin 7, piece 1", "ring.toml", False),
        ("Bin 7 piece 1", "bin 7, piece 1", "ring.toml", False),
        ("ring.toml", "bin 7, piece 1", "ring.toml", False),
        ("bin 7.2", "bin 7.2", "ring.toml", False),
        ("bin 7", "bin-7", "bin-7.toml", False),
        ("", "bin-a", "bin-a.toml", False),
        ("bin-b", "core-0123456789ab", "core-0123456789ab.toml", False),  # as records hand it out
        ("bin-b.toml", "bin-a", "bin-a.toml", True),
        ("bin 7.2", "bin 7.3", "ring.toml", True),
        ("bin 7, piece 1", "bin 7, piece 2", "ring.toml", True),
        ("bin-a.toml", "bin 7", "ring.toml", True),
    ],
)
def test_names_are_compared_as_people_mean_them(said, name, file, differ):
    found = names_differ(_sweep(specimen=said), ring(name=name), Path(file))
    assert found == ((said, name) if differ else None)


def test_turns_in_the_header_are_held_against_the_specimen():
    # the ring of these tests has ten turns
    for notes in (
        {"turns": "12"},
        {"joined": "12 turns a and 3 turns b; referred to an ideal winding of 12 turns"},
    ):
        told = belonging_doubts(_sweep(**notes), ring(), Path("r.toml"), "the sweep")
        assert len(told) == 1
        assert "taken with 12 turns, and the specimen file states 10" in told[0]
    for notes in ({"turns": "10"}, {"turns": "ten or so"}, {}):
        assert belonging_doubts(_sweep(**notes), ring(), Path("r.toml"), "the sweep") == ()


def _identified(*words):
    done = CliRunner().invoke(root, ["identify", *map(str, words), "--json"])
    assert done.exit_code == 0, done.stderr
    return json.loads(done.stdout)


def test_two_cores_given_as_one_is_the_first_warning_and_the_verdict_is_drawn(tmp_path):
    first = _identified("--specimen", BINS / "bin-a.toml", "--sweep", BINS / "bin-b.csv")
    assert first["warnings"][0].startswith(
        "the sweep says that it is of bin-b.toml, and the specimen file is that of bin-a: they may be of "
    )
    assert first["verdict"]["kind"]
    assert sum("different cores" in text for text in first["warnings"]) == 1
    # what reading the file has to say comes after it
    rough = tmp_path / "rough.csv"
    sweep = load_sweep(BINS / "bin-b.csv")
    rows = [f"{f},{z.real},{z.imag}" for f, z in zip(sweep.frequency_hz, sweep.impedance_ohm, strict=True)]
    head = ["# specimen: bin-b.toml", "frequency_hz,impedance_real_ohm,impedance_imag_ohm"]
    rough.write_text("\n".join([*head, *rows]) + "\n", encoding="utf-8")
    again = _identified("--specimen", BINS / "bin-a.toml", "--sweep", rough)
    assert "different cores" in again["warnings"][0]
    assert any("scatter" in text for text in again["warnings"][1:])


def test_a_second_sweep_of_another_core_is_told(tmp_path):
    warm = replace(load_sweep(BINS / "bin-a.csv"), temperature_c=45.0)
    write_sweep(tmp_path / "warm.csv", replace(warm, notes={**warm.notes, "specimen": "bin-b"}))
    words = ("--specimen", BINS / "bin-a.toml", "--sweep", BINS / "bin-a.csv")
    told = _identified(*words, "--second-sweep", tmp_path / "warm.csv")["warnings"]
    assert told[0].startswith("the second sweep says that it is of bin-b, and the specimen file")


def test_a_report_tells_it_first(tmp_path):
    out = tmp_path / "report.html"
    words = ["report", "--specimen", BINS / "bin-a.toml", "--sweep", BINS / "bin-b.csv", "--out", out]
    done = CliRunner().invoke(root, [str(word) for word in words])
    assert done.exit_code == 0, done.stderr
    assert "they may be of different cores" in " ".join(out.read_text(encoding="utf-8").split())


# --- what the program wrote itself --------------------------------------------------------------------------


def _no_doubt(warnings):
    assert not [text for text in warnings if "different cores" in text or "turns, and the spec" in text]


def test_the_bins_of_the_demonstration_belong_together():
    seen = 0
    for item in demo_bins():
        if item.request.sweep is not None:
            seen += 1
            sweep, specimen = load_sweep(item.request.sweep), load_specimen(item.request.specimen)
            assert sweep.notes["specimen"]
            assert belonging_doubts(sweep, specimen, item.request.specimen, "the sweep") == ()
    assert seen >= 5


def test_records_handed_out_are_judged_without_a_doubt(tmp_path):
    words = ["--specimen", BINS / "bin-a.toml", "--sweep", BINS / "bin-a.csv"]
    kept = CliRunner().invoke(root, ["identify", *map(str, words), "--keep"])
    assert kept.exit_code == 0, kept.stderr
    out = tmp_path / "out"
    done = CliRunner().invoke(root, ["records", "export", "--all", "--to", str(out)])
    assert done.exit_code == 0, done.stderr
    core, sweep = next(out.glob("core-*.toml")), next(out.glob("sweep-*.csv"))
    _no_doubt(_identified("--specimen", core, "--sweep", sweep)["warnings"])


@pytest.mark.parametrize("name", ["bin 4, grey ring", "core", "a ring " * 9, "Größe 7/3"])
@pytest.mark.parametrize("typed", [True, False])
def test_what_the_page_swept_is_judged_without_a_doubt(name, typed):
    text = (BINS / "bin-a.toml").read_text(encoding="utf-8")
    text = f'name = "{name}"\n\n{text}' if typed else text
    place = specimen_file(text, name)
    swept = load_specimen(place)
    journal = place.parent / "journal.csv"
    sweep = load_sweep(BINS / "bin-a.csv")
    # as a running sweep writes its header: the name of the specimen
    write_sweep(journal, replace(sweep, notes={**sweep.notes, "specimen": swept.name}))
    with open_store() as store:
        core = keep_core(store, place)
        record = keep_sweep(store, journal, core_id=core)
    told = judge.identify(core=core, sweep=record, keep=False)
    _no_doubt(told["verdict"]["warnings"])
