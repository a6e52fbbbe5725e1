"""What the page does with clicks on a graph, and with the journal of an earlier run."""

import math

import numpy as np
import pytest

from whichcore.errors import InputError
from whichcore.files import load_material, load_specimen
from whichcore.known_core import CORE_TO_CORE
from whichcore.web.points import earlier_points
from whichcore.web.tracing import save_traced, trace_curves
from whichcore.workflow import demo_folder

HORIZONTAL = {
    "log": True,
    "marks": [{"x": 100, "y": 500, "value": "10 kHz"}, {"x": 700, "y": 500, "value": "10 MHz"}],
}
VERTICAL = {"log": True, "marks": [{"x": 100, "y": 480, "value": "1"}, {"x": 100, "y": 80, "value": "1000"}]}
LABEL = {"id": "own-1", "name": "Own 1", "class": "NiZn", "tolerance": "20 %", "source": "sheet, page 2"}
REAL = [[150, 120], [300, 120], [450, 150], [600, 300]]
IMAG = [[250, 400], [400, 250], [500, 200], [650, 250]]


def asked(**changed):
    given = {"horizontal": HORIZONTAL, "vertical": VERTICAL, "click_px": 1.0}
    return given | {"curves": {"mu_real": REAL, "mu_imag": IMAG}} | changed


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))


def test_both_curves_become_a_material_with_the_reading_in_its_deviation(tmp_path):
    told = save_traced(**asked(), label=LABEL)
    found = load_material(next(tmp_path.rglob("own-1.toml")))
    # analytic: a third of the axis of three decades is a decade; 150 and 650 px are off the common span
    assert found.frequency_hz[0] == pytest.approx(1e4 * 1000 ** (150 / 600))
    assert found.frequency_hz[-1] == pytest.approx(1e4 * 1000 ** (500 / 600))
    assert (told["points"], told["left_out"]) == (6, 2)
    # analytic: two clicks of a pixel on 400 px of three decades, and the marks, near 1.7 % a pixel
    assert 0.01 < told["reading_deviation"] < 0.1
    expected = math.hypot(CORE_TO_CORE, told["reading_deviation"])
    assert found.curve_deviation == pytest.approx(expected, rel=1e-9)
    assert found.tolerance == pytest.approx(0.2)
    assert found.source.startswith("sheet, page 2; read off a printed graph")


def test_a_click_twice_as_vague_doubles_the_uncertainty():
    fine, vague = (trace_curves(**asked(click_px=px))["mu_real"]["u_value"] for px in (1.0, 2.0))
    np.testing.assert_allclose(vague, 2 * np.array(fine), rtol=1e-12)  # analytic: linear propagation


def test_one_curve_alone_is_read_and_is_no_material():
    curves = {"mu_real": REAL, "mu_imag": IMAG[:1]}
    assert set(trace_curves(**asked(curves=curves))) == {"mu_real"}
    with pytest.raises(InputError, match="needs both curves"):
        save_traced(**asked(curves=curves), label=LABEL)


@pytest.mark.parametrize(
    ("changed", "what"),
    [
        ({"source": " "}, "needs its source"),
        ({"class": "ferrite"}, "no such class"),
        ({"id": "mnzn-2300-derived"}, "shipped material has this id"),
        ({"id": "../own"}, "no id of a material"),
        ({"tolerance": "20"}, "unit"),
    ],
)
def test_a_wrong_label_is_one_line_and_nothing_is_written(tmp_path, changed, what):
    with pytest.raises(InputError, match=what) as caught:
        save_traced(**asked(), label=LABEL | changed)
    assert "\n" not in caught.value.one_line()
    assert list(tmp_path.rglob("*.csv")) == []


@pytest.mark.parametrize(
    ("changed", "what"),
    [
        ({"horizontal": HORIZONTAL | {"marks": [None, HORIZONTAL["marks"][1]]}}, "two marks"),
        (
            {
                "vertical": VERTICAL
                | {"marks": [VERTICAL["marks"][0] | {"value": "1,5"}, VERTICAL["marks"][1]]}
            },
            "plain number",
        ),
        ({"curves": {"mu_real": [[0, 0]] * 2001}}, "too many points"),
    ],
)
def test_marks_and_points_that_cannot_be_read_are_refused(changed, what):
    with pytest.raises(InputError, match=what):
        trace_curves(**asked(**changed))


def test_the_points_of_an_earlier_run_are_told_up_to_a_torn_line(tmp_path):
    specimen = load_specimen(demo_folder() / "bin-d.toml")
    rows = ["frequency_hz,impedance_real_ohm,impedance_imag_ohm,u_real_ohm,u_imag_ohm"]
    rows += ["1000,0.1,5,0.01,0.01", "10000,0.5,50,0.1,0.1", "1000"]
    journal = tmp_path / "journal.csv"
    journal.write_text("\n".join(rows))  # the last line is torn
    events = list(earlier_points(journal, specimen, (1e3, 3e3, 1e4)))
    assert [(event["index"], event["count"]) for event in events] == [(0, 3), (2, 3)]
    assert events[1]["z"] == [0.5, 50.0]  # as written
    assert events[1]["u_z"] == pytest.approx([0.1, 0.1])
    assert events[0]["mu"][0] > 0


@pytest.mark.parametrize(
    "content", [None, "", "frequency_hz,impedance_real_ohm,impedance_imag_ohm\n", "nonsense\n"]
)
def test_a_journal_without_points_tells_none(tmp_path, content):
    journal = tmp_path / "journal.csv"
    if content is not None:
        journal.write_text(content)
    assert list(earlier_points(journal, load_specimen(demo_folder() / "bin-d.toml"), (1e3, 1e4))) == []
