"""The virtual bench by its name, sources in steps, and a bench kept to some of its ranges."""

import os
import threading
from pathlib import Path

import numpy as np
import pytest

from whichcore.analysis.phasor import fit_phasors
from whichcore.analysis.types import Wiring
from whichcore.bench import load_bench, open_bench
from whichcore.bench.virtual_fronts import fronts_of, is_virtual, virtual_digitizer
from whichcore.errors import InputError
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.drivers.serial_source import SerialSource
from whichcore.rig.instruments import Bench
from whichcore.rig.narrowed import with_ranges
from whichcore.rig.sweep.frequency_steps import settable
from whichcore.rig.tables.command_table import DigitizerTable, load_table
from whichcore.rig.tables.serial_table import SerialTable
from whichcore.rig.virtual.dialects import DIGITIZERS, SOURCES
from whichcore.rig.virtual.process import Fronts

STEP_HZ = 25e6 / 2**28  # analytic: clock over the size of the tuning word


def test_every_language_has_its_table():
    for name in DIGITIZERS:
        assert isinstance(load_table(name), DigitizerTable)
        assert len(virtual_digitizer(name).limits.ranges_vpp[0]) == 9  # all that the virtual scope has
    for name in SOURCES:
        assert isinstance(load_table(name), SerialTable) is name.startswith("serial-")


@pytest.mark.parametrize(
    ("name", "fronts"),
    [
        ("virtual", Fronts()),
        ("virtual:hislip", Fronts(source_line="hislip", digitizer_line="hislip")),
        ("virtual:volts-block", Fronts(digitizer="volts-block")),
        (
            "virtual:hislip+keyed-source+inline-header",
            Fronts("keyed-source", "inline-header", "hislip", "hislip"),
        ),
        ("virtual:serial-mute+hislip", Fronts(source="serial-mute", digitizer_line="hislip")),
    ],
)
def test_names_of_virtual_benches(name, fronts):
    assert is_virtual(name)
    assert fronts_of(name) == fronts


@pytest.mark.parametrize(
    "name", ["virtual:", "virtual:kettle", "virtual:hislip+serial", "virtual:volts-block+"]
)
def test_wrong_names_of_virtual_benches(name):
    with pytest.raises(InputError) as raised:
        load_bench(name)
    line = raised.value.one_line()
    assert line.startswith("--bench: ")
    assert "volts-block" in line
    assert "; next: " in line


def test_a_name_that_only_begins_like_one(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match="no such bench file"):
        load_bench("virtually")


def test_the_name_from_the_environment(monkeypatch):
    monkeypatch.setenv("WHICHCORE_BENCH", "virtual:prefixed-reply")
    settings = load_bench()
    assert settings.virtual
    assert settings.digitizer.name == "prefixed-reply"


def test_a_serial_source_in_a_bench_file(tmp_path):
    """Its level is the bench's limit, and the file may narrow it."""
    text = (Path(__file__).parents[1] / "src/whichcore/bench/virtual.toml").read_text("utf-8")
    text = text.replace('"scpi-source"', '"serial-answering"').replace(
        '"virtual source"', '"ASRL/dev/none::INSTR"'
    )
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="beyond the instrument"):
        load_bench(path)  # 20 V, and the board gives 3 V
    path.write_text(text.replace('highest_level_vpp = "20 V"', 'highest_level_vpp = "2 V"'), encoding="utf-8")
    settings = load_bench(path)
    assert isinstance(settings.source.table, SerialTable)
    assert settings.level_vpp == 2.0
    assert settings.source_limits.level_vpp == (0.02, 2.0)


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
@pytest.mark.parametrize(
    "name",
    [
        "virtual:serial-answering+ten-field-preamble",
        pytest.param("virtual:hislip+one-line-source", marks=pytest.mark.soak),
    ],
)
def test_a_record_through_an_opened_bench(name, tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    with open_bench(load_bench(name)) as opened:
        source, digitizer = opened.bench.source, opened.bench.digitizer
        kind = SerialSource if "serial" in name else ScpiSource
        assert isinstance(source, kind)
        assert isinstance(digitizer, ScpiDigitizer)
        opened.operator.fit("open")
        source.frequency_hz, source.level_vpp = 1e5, 0.5
        source.output_on()
        digitizer.set_interval(1e-7)
        digitizer.set_points(5000)
        for channel in range(2):
            digitizer.set_range(channel, 0.8)
        threading.Event().wait(0.02)
        capture = digitizer.acquire(1e5, 0.0, threading.Event())
        source.output_off()
        assert not opened.virtual.state()["output"]
    found = fit_phasors(capture, 1e5)
    # analytic: an open takes nothing, so half of 0.5 V; gains of source and range are off by up to 1.5 %
    assert abs(found.phasor_vpk[0]) == pytest.approx(0.25, rel=0.03)
    assert found.frequency_hz == pytest.approx(1e5, rel=1e-4)


class Stepped:
    """A source in steps of 0.3 Hz."""

    def nearest_hz(self, value):
        return round(value / 0.3) * 0.3


def test_frequencies_a_source_can_make():
    assert settable(object(), [2.0, 1.0]) == (2.0, 1.0)
    found = settable(Stepped(), [1.0, 1.1, 10.0, 0.01])
    assert found == pytest.approx((0.9, 1.2, 9.9))  # analytic: the nearest of 0.3, 0.6, …; nothing at 0 Hz
    board = SerialSource(load_table("serial-mute"), "ASRL/dev/none::INSTR")
    grid = settable(board, np.geomspace(1e3, 1e6, 7))
    assert all(abs(f / STEP_HZ - round(f / STEP_HZ)) < 1e-6 for f in grid)


def test_a_bench_kept_to_some_ranges():
    digitizer = ScpiDigitizer(load_table("scpi-digitizer"), "TCPIP::127.0.0.1::9::SOCKET")
    bench = Bench(object(), digitizer, Wiring.SHUNT_AT_GROUND, 10.0)
    ranges = digitizer.limits.ranges_vpp
    assert with_ranges(bench, ranges[0], ranges[1]) is bench
    kept = with_ranges(bench, (0.8, 1.6), (0.4,)).digitizer
    assert kept.limits.ranges_vpp == ((0.8, 1.6), (0.4,))
    assert kept.limits.points == digitizer.limits.points
    assert digitizer.limits.ranges_vpp == ranges
    kept.close()
    assert with_ranges(bench, (3.3,), ranges[1]) is bench  # none of its own: the correction says so
