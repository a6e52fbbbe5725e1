"""A trigger that does not come: said as such where the table can ask for it, by driver and by trial."""

import threading

import pytest

from scripted import Peer, quick
from test_headers_on import measure, served  # noqa: F401 - a fixture
from test_table_trial import own_table
from whichcore.errors import InputError, InstrumentError
from whichcore.rig.doctor import Status
from whichcore.rig.drivers.scpi_digitizer import ScpiDigitizer
from whichcore.rig.tables.command_table import load_table
from whichcore.rig.tables.template import Query, Template
from whichcore.rig.trials.table import try_table
from whichcore.rig.virtual.faults import Fault, FaultKind

ASKS = ["scpi-digitizer", "ten-field-preamble", "prefixed-reply", "volts-block"]
DOES_NOT = {"separate-scaling": "record is not complete", "inline-header": "record is not complete"}


@pytest.mark.parametrize("family", [*ASKS, *DOES_NOT])
def test_it_is_said_and_the_same_driver_goes_on(tmp_path, served, family):  # noqa: F811
    bench, address = served(family)
    digitizer = ScpiDigitizer(quick(load_table(own_table(tmp_path, family))), address)
    good = measure(digitizer)
    bench.faults.add(Fault(FaultKind.TRIGGER_LOST))
    with pytest.raises(InstrumentError) as caught:
        measure(digitizer)
    line = caught.value.one_line()
    assert DOES_NOT.get(family, "no trigger has come: the digitizer still waits for one") in line
    assert "next: check the trigger" in line
    bench.faults.clear()
    assert measure(digitizer).volts_per_code == good.volts_per_code
    digitizer.close()


@pytest.mark.parametrize(
    ("family", "key", "told"),
    [
        ("volts-block", "actions", "the command that triggers without a signal is force"),
        pytest.param("scpi-digitizer", "actions", "let it run by itself", marks=pytest.mark.soak),
        pytest.param("prefixed-reply", "actions.force", "whether it obeys 'FRTR'", marks=pytest.mark.soak),
    ],
)
def test_the_trial_names_the_line(tmp_path, served, family, key, told):  # noqa: F811
    bench, address = served(family)
    bench.faults.add(Fault(FaultKind.TRIGGER_LOST))
    path = own_table(tmp_path, family)
    findings = try_table(load_table(path), address, threading.Event())
    bad = next(item for item in findings if item.status is Status.BAD)
    assert bad.check == "record"
    assert bad.found.startswith("no trigger has come")
    assert told in bad.remedy
    assert bad.place.startswith(f"{path}, line ")
    assert bad.place.endswith(f", {key}")


def test_one_that_does_not_wait_for_a_trigger_just_does_not_answer():
    """*OPC? without an answer, and no bit 5: nothing is said of a trigger."""
    table = quick(load_table("scpi-digitizer"))
    answers = {
        "*IDN?": "a,b,c,d",
        "SYSTem:ERRor?": "0",
        "SENSe:SWEep:TINTerval?": "1e-5",
        "SENSe:VOLTage1:RANGe?": "1.6",
        "SENSe:VOLTage2:RANGe?": "1.6",
    }
    for state, told in (("16", "does not answer"), ("32", "no trigger has come"), (None, "does not answer")):
        server = Peer({**answers, "STATus:OPERation:CONDition?": state})
        digitizer = ScpiDigitizer(table, server.address)
        with pytest.raises(InstrumentError, match=told):
            measure(digitizer)
        assert server.said[-1] == "STATus:OPERation:CONDition?"
        digitizer.close()
        server.close()


@pytest.mark.parametrize(
    ("answer", "yes"), [("32", True), ("+48", True), ("16", False), ("0", False), ("65535", True)]
)
def test_a_bit_of_a_register(answer, yes):
    """SCPI-1999, volume 1, 9.3 (from memory): bit 5 of the operation status waits for a trigger."""
    assert Query(Template("STAT:OPER:COND?"), bit=5).switch(answer, "here") is yes


@pytest.mark.parametrize("answer", ["", "-32", "32.5", "WAIT", "#H20"])
def test_what_is_no_register(answer):
    with pytest.raises(InstrumentError, match="not what was asked for"):
        Query(Template("STAT:OPER:COND?"), bit=5).switch(answer, "here")


def test_a_bit_is_a_whole_number(tmp_path):
    path = own_table(tmp_path, "volts-block", ("bit = 5", "bit = -2"))
    with pytest.raises(InputError, match=r"queries\.waiting\.bit"):
        load_table(path)
