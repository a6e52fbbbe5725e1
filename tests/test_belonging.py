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
        # one holds all words of the other
        ("ring 25/15/10, sample 3", "sample 3", "ring.toml", False),
        ("sample 3 (warm)", "sample 3", "ring.toml", False),
        ("Sample3 from the grey bin", "sample 3", "ring.toml", False),
        ("sample 3", "ring 25/15/10, sample 3", "ring.toml", False),
        ("ring 25/15/10, sample 31", "sample 3", "ring.toml", True),
        ("ring 25/15/10, sample 4", "sample 3", "ring.toml", True),
        ("samples 3", "sample 3", "ring.toml", True),
        # a word that names nothing
        ("unknown", "sample 3", "ring.toml", False),
        ("DUT", "sample 3", "ring.toml", False),
        # a specimen without a name of its own has that of its file
        ("grey one from the drawer", "ring", "ring.toml", False),
        ("other.toml", "ring", "ring.toml", True),
        # one letter, composed in two ways; numbers with and without a decimal sign
        ("Ma\u0308rz 7", "M\u00e4rz 7", "ring.toml", False),
        ("gap 1,5 mm", "gap 1.5mm", "ring.toml", False),
        ("gap 1.5 mm", "gap 15 mm", "ring.toml", True),
        ("7/3", "73", "ring.toml", True),
        ("bin-b.toml", "bin-a", "bin-a.toml", True),
        ("bin 7.2", "bin 7.3", "ring.toml", True),
        ("bin 7, piece 1", "bin 7, piece 2", "ring.toml", True),
        ("bin-a.toml", "bin 7", "ring.toml", True),
    ],
)
def test_names_are_compared_as_people_mean_them(said, name, file, differ):
    found = names_differ(_sweep(specimen=said), ring(name=name), Path(file))
    assert found == ((said, name) if differ else None)


def test_another_specimen_file_in_the_folder_is_another_core(tmp_path):
    for name in ("grey.toml", "Green 2.toml"):
        (tmp_path / name).touch()
    for said, differ in (("green-2", True), ("blue", False), ("grey", False)):
        found = names_differ(_sweep(specimen=said), ring(name="grey"), tmp_path / "grey.toml")
        assert (found is not None) == differ, said


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


def _of_another_core(folder, *, turns="25"):
    """Return a named specimen file, and a sweep of it whose header names another core and other turns."""
    card, sweep = folder / "card.toml", folder / "other.csv"
    card.write_text(
        'name = "sample 3"\n' + (BINS / "bin-a.toml").read_text(encoding="utf-8"), encoding="utf-8"
    )
    data = load_sweep(BINS / "bin-a.csv")
    write_sweep(sweep, replace(data, notes={"specimen": "another core", "turns": turns}))
    return card, sweep


def _added(*words):
    label = ["--id", "mine", "--name", "Mine", "--class", "MnZn"]
    done = CliRunner().invoke(root, ["library", "add", *map(str, words), *label])
    assert done.exit_code == 0, done.stderr
    return " ".join(done.stderr.split())


def test_a_sweep_of_another_core_is_told_where_it_becomes_a_reference(tmp_path):
    card, sweep = _of_another_core(tmp_path)
    told = _added("--specimen", card, "--sweep", sweep)
    assert told.startswith(
        "warning: other.csv says that it is of another core, and the specimen file is that of sample 3: "
    )
    assert "warning: other.csv says that it was taken with 25 turns, and the specimen file states" in told


def test_one_specimen_file_for_cores_of_one_size_names_only_one_of_them(tmp_path):
    card, sweep = _of_another_core(tmp_path)
    data = load_sweep(sweep)
    write_sweep(tmp_path / "third.csv", replace(data, impedance_ohm=1.05 * data.impedance_ohm))
    told = _added("--specimen", card, "--sweep", sweep, "--sweep", tmp_path / "third.csv")
    assert "may be of different cores" not in told
    assert told.count("taken with 25 turns") == 2


def test_a_sweep_of_another_core_is_told_where_it_is_fitted(tmp_path):
    card, sweep = _of_another_core(tmp_path)
    words = ["fit", "--specimen", str(card), "--sweep", str(sweep), "--model", "relaxation", "--json"]
    done = CliRunner().invoke(root, words)
    assert done.exit_code == 0, done.stderr
    told = json.loads(done.stdout)["warnings"]
    assert told[0].startswith("the sweep says that it is of another core")
    assert "taken with 25 turns" in told[1]


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
    assert first["next_steps"][0]["action"] == "check-files"
    assert first["next_measurement"].startswith("Find out which is wrong of the sweep and the specimen file")
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
