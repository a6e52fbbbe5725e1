"""The journal of a running sweep."""

import os
import signal
import subprocess
import sys

import numpy as np
import pytest

from whichcore.analysis.types import Scope
from whichcore.errors import InputError
from whichcore.files import SourceColumn, SweepJournal, SweepLayout, SweepPoint, load_sweep

LAYOUT = SweepLayout(
    header={"plan": "abc", "specimen": "bin 7"},
    sources=(SourceColumn("shunt", Scope.SPECIMENS),),
    flux_density=True,
    range_labels=True,
    time=True,
)


def point(frequency: float) -> SweepPoint:
    return SweepPoint(
        frequency_hz=frequency,
        impedance_ohm=complex(1, frequency / 100),
        covariance=np.diag([0.25, 0.25]),
        sensitivities={"shunt": 0.5 + 1j},
        flux_density_t=1e-4,
        range_label="A1/B2",
        time_s=frequency / 1000,
    )


def same(left: SweepPoint, right: SweepPoint) -> bool:
    return np.array_equal(left.covariance, right.covariance) and all(
        getattr(left, name) == getattr(right, name)
        for name in (
            "frequency_hz",
            "impedance_ohm",
            "sensitivities",
            "flux_density_t",
            "range_label",
            "time_s",
        )
    )


def test_each_point_is_in_the_file_as_soon_as_it_is_appended(tmp_path):
    path = tmp_path / "j.csv"
    with SweepJournal.create(path, LAYOUT) as journal:
        assert path.read_text().endswith("s_imag_shunt_ohm\n")
        for count, frequency in enumerate([1000.0, 2000.0, 4000.0], start=1):
            journal.append(point(frequency))
            assert len(load_sweep(path).frequency_hz) == count
    sweep = load_sweep(path)
    assert sweep.sources[0].scope is Scope.SPECIMENS
    assert sweep.notes == {"plan": "abc", "specimen": "bin 7"}


def test_every_point_is_synced_before_append_returns(tmp_path, monkeypatch):
    synced = []
    with SweepJournal.create(tmp_path / "j.csv", LAYOUT) as journal:
        monkeypatch.setattr(os, "fsync", synced.append)
        journal.append(point(1000.0))
        journal.append(point(2000.0))
    assert len(synced) == 2


def test_a_journal_never_takes_the_place_of_a_file(tmp_path):
    (tmp_path / "j.csv").write_text("mine")
    with pytest.raises(InputError, match="not overwritten"):
        SweepJournal.create(tmp_path / "j.csv", LAYOUT)
    assert (tmp_path / "j.csv").read_text() == "mine"


@pytest.mark.parametrize(
    "tail", [b"", b"4000.0,1.0", b"4000.0,1.0,40.0,0.5,0.5,0.0,0.0001,A1/B2,4.0,0.5,1.", b"\0\0\0", b"\xce"]
)
def test_resuming_reads_the_whole_lines_and_cuts_a_torn_one(tmp_path, tail):
    path = tmp_path / "j.csv"
    with SweepJournal.create(path, LAYOUT) as journal:
        journal.append(point(2000.0))
        journal.append(point(1000.0))
    whole = path.read_bytes()
    path.write_bytes(whole + tail)
    with SweepJournal.resume(path, {"plan": "abc"}) as journal:
        assert path.read_bytes() == whole
        # in the order they were taken
        assert [taken.frequency_hz for taken in journal.points] == [2000.0, 1000.0]
        assert same(journal.points[0], point(2000.0))
        assert journal.layout == LAYOUT
        journal.append(point(4000.0))
    assert path.read_bytes().startswith(whole)
    with SweepJournal.resume(path) as journal:
        assert len(journal.points) == 3


def test_a_journal_without_points_is_resumed(tmp_path):
    path = tmp_path / "j.csv"
    SweepJournal.create(path, LAYOUT).close()
    with path.open("ab") as file:
        file.write(b"1000.0,1.")
    with SweepJournal.resume(path) as journal:
        assert journal.points == ()
        assert journal.layout == LAYOUT
        journal.append(point(1000.0))
    assert load_sweep(path).frequency_hz.tolist() == [1000.0]


def test_a_journal_of_another_plan_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "j.csv"
    SweepJournal.create(path, LAYOUT).close()
    with path.open("ab") as file:
        file.write(b"1000.0,1.")
    before = path.read_bytes()
    for expected in ({"plan": "xyz"}, {"fingerprint": "abc"}):
        with pytest.raises(InputError, match="another sweep"):
            SweepJournal.resume(path, expected)
    assert path.read_bytes() == before


def test_a_damaged_line_in_the_middle_is_refused(tmp_path):
    path = tmp_path / "j.csv"
    with SweepJournal.create(path, LAYOUT) as journal:
        journal.append(point(1000.0))
    path.write_text(path.read_text() + "2000.0,1.0\n")
    with pytest.raises(InputError, match="line 7: the row is short"):
        SweepJournal.resume(path)


def test_a_journal_without_uncertainties_is_resumed_as_such(tmp_path):
    path = tmp_path / "j.csv"
    layout = SweepLayout(uncertainty=False)
    with SweepJournal.create(path, layout) as journal:
        journal.append(SweepPoint(1000.0, 1 + 2j))
    with SweepJournal.resume(path) as journal:
        assert journal.points == (SweepPoint(1000.0, 1 + 2j),)
        assert journal.layout == layout


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"covariance": None}, "no covariance"),
        ({"covariance": np.diag([-1.0, 1.0])}, "variance is negative"),
        ({"covariance": np.array([[1.0, 2.0], [2.0, 1.0]])}, "no covariance"),
        ({"impedance_ohm": complex("nan")}, "not finite"),
        ({"frequency_hz": float("inf")}, "not finite"),
        ({"flux_density_t": None}, "missing"),
        ({"range_label": None}, "range label"),
        ({"range_label": "a\nb"}, "range label"),
        ({"time_s": None}, "missing"),
        ({"sensitivities": {}}, "error sources"),
        ({"sensitivities": {"shunt": 1, "lead": 1}}, "error sources"),
    ],
)
def test_a_point_that_does_not_fit_is_refused_and_nothing_written(tmp_path, change, told):
    values = {name: getattr(point(1000.0), name) for name in SweepPoint.__dataclass_fields__}
    with SweepJournal.create(tmp_path / "j.csv", LAYOUT) as journal:
        before = journal.path.read_bytes()
        with pytest.raises(InputError, match=told):
            journal.append(SweepPoint(**(values | change)))
        assert journal.path.read_bytes() == before


def test_a_full_disk_is_one_clear_line(tmp_path, monkeypatch):
    def full(handle):
        raise OSError(28, "No space left on device")

    with SweepJournal.create(tmp_path / "j.csv", LAYOUT) as journal:
        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(InputError, match="No space left"):
            journal.append(point(1000.0))


@pytest.mark.soak
@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_killed_sweep_keeps_every_point_it_reported(tmp_path):
    path = tmp_path / "j.csv"
    code = (
        "import sys\nfrom whichcore.files import SweepJournal, SweepLayout, SweepPoint\n"
        f"journal = SweepJournal.create({str(path)!r}, SweepLayout(uncertainty=False))\n"
        "for index in range(1, 1000000):\n"
        "    journal.append(SweepPoint(float(index), 1 + 2j))\n"
        "    print(index, flush=True)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as child:
        reported = [child.stdout.readline() for _ in range(50)][-1]
        child.send_signal(signal.SIGKILL)
    with SweepJournal.resume(path) as journal:
        assert len(journal.points) >= int(reported)


def test_one_file_has_one_writer(tmp_path):
    path = tmp_path / "j.csv"
    with SweepJournal.create(path, LAYOUT) as journal:
        journal.append(point(1000.0))
        with pytest.raises(InputError, match="another sweep is being written"):
            SweepJournal.resume(path)
        assert len(load_sweep(path).frequency_hz) == 1  # readers are welcome
        journal.append(point(2000.0))
    with pytest.raises(InputError, match="belongs to another sweep"):
        SweepJournal.resume(path, expected={"plan": "xyz"})
    with SweepJournal.resume(path) as journal:  # what was refused keeps nobody off
        assert len(journal.points) == 2
