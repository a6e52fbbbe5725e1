"""The shipped command tables against the exchanges of their families: in order, with nothing left over."""

import threading

import numpy as np
import pytest

from exchange_files import families, load_exchanges
from scripted import quick
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.drivers.scpi_source import ScpiSource
from whichcore.rig.tables.command_table import load_table, shipped_tables


@pytest.mark.parametrize("family", families("digitizer"))
def test_a_scope(script, family):
    said = load_exchanges(family)
    server = script(list(said.rows))
    digitizer = ScpiDigitizer(quick(load_table(said.table)), server.address)
    drive, expect = said.drive, said.expect
    assert digitizer.set_interval(drive["interval_s"]) == pytest.approx(expect["interval_s"], rel=1e-9)
    digitizer.set_points(drive["points"])
    assert [digitizer.set_range(c, drive["ranges_vpp"][c]) for c in range(2)] == drive["ranges_vpp"]
    capture = digitizer.acquire(312500.0, 0.0, threading.Event())
    digitizer.close()
    assert capture.interval_s == pytest.approx(expect["interval_s"], rel=1e-9)
    assert capture.samples.dtype == np.dtype(expect["dtype"])
    assert capture.samples.shape == (2, drive["points"])
    assert capture.volts_per_code == pytest.approx(expect["volts_per_code"], rel=1e-9)
    assert capture.offset_v == pytest.approx(expect["offset_v"], rel=1e-9, abs=1e-12)
    assert capture.range_labels == ("1.6V", "4V")
    volts = capture.samples * np.array(capture.volts_per_code)[:, None] + np.array(capture.offset_v)[:, None]
    # computed: every file holds the same two sines, of 0.8 V and 0.6 V peak (the second a little high where
    # the scope has an offset), rounded to its steps of 8 and 20 mV
    sine = np.sin(2 * np.pi * np.arange(16) / 16)
    assert volts[0] == pytest.approx(0.8 * sine, abs=8e-3)
    assert volts[1] - volts[1].mean() == pytest.approx(0.6 * sine, abs=24e-3)


@pytest.mark.parametrize("family", families("source"))
def test_a_generator(script, family):
    said = load_exchanges(family)
    server = script(list(said.rows))
    source = ScpiSource(quick(load_table(said.table)), server.address)
    source.frequency_hz = said.drive["frequency_hz"]
    source.level_vpp = said.drive["level_vpp"]
    source.offset_v = said.drive["offset_v"]
    source.output_on()
    assert source.output_is_on() is True
    source.output_off()
    source.close()


def test_every_family_has_a_table():
    assert set(families()) <= set(shipped_tables())
