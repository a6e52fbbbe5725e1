"""What a library covers, and its holes."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.backends.backend_agg import FigureCanvasAgg

from identification import grade, grades
from whichcore import figures, load_library
from whichcore.analysis.library_coverage import corner_of, coverage_of, speaking
from whichcore.analysis.materials import MaterialClass
from whichcore.cli.root import root
from whichcore.files import write_material


def _nizn(name, level, corner_hz=5e6, **changes):
    return grade(name, level, corner_hz, material_class=MaterialClass.NIZN, **changes)


def _of(library, name=MaterialClass.NIZN):
    return next(item for item in coverage_of(library) if item.material_class is name)


def test_the_corner_is_where_the_loss_has_grown_to_the_permeability():
    # analytic: of 1 + χ/(1 + jx) the loss angle is 45° where x² − χx + χ + 1 = 0, just above x = 1
    chi = 799.0
    expected = 5e6 * (chi - np.sqrt(chi**2 - 4 * (chi + 1))) / 2
    place = corner_of(_nizn("a", 800))
    assert place.corner_seen
    assert place.corner_hz == pytest.approx(expected, rel=1e-3)  # straight between 30 points a decade
    beyond = corner_of(_nizn("b", 800, frequency=np.geomspace(1e3, 1e6, 40)))
    assert (beyond.corner_seen, beyond.corner_hz) == (False, pytest.approx(1e6))


def test_a_hole_lies_between_the_tolerances():
    item = _of(grades(_nizn("low", 300), _nizn("high", 1200, tolerance=0.10)))
    # analytic: e^{±tolerance} about each; the usual range of NiZn is 4 to 2500 (open_alternative.csv)
    ends = [(4.0, 300 * np.exp(-0.25)), (300 * np.exp(0.25), 1200 * np.exp(-0.1)), (1200 * np.exp(0.1), 2500)]
    assert [(hole.low, hole.high) for hole in item.holes] == [pytest.approx(pair) for pair in ends]


def test_overlapping_tolerances_leave_no_hole_and_an_absent_class_is_one():
    close = [_nizn(f"g{k}", level) for k, level in enumerate(np.geomspace(4, 2500, 15))]
    assert _of(grades(*close)).holes == ()
    absent = _of(grades(*close), MaterialClass.MNZN)
    assert (absent.places, absent.band_hz) == ((), None)


def test_the_band_is_where_half_of_the_curves_speak():
    wide, narrow = np.geomspace(1e3, 1e8, 60), np.geomspace(1e5, 1e6, 20)
    item = _of(grades(_nizn("a", 300, frequency=wide), _nizn("b", 500, frequency=narrow)))
    assert item.across == (1, 1, 2, 1, 1)
    assert item.band_hz == (pytest.approx(1e3), pytest.approx(1e8))
    assert speaking(item, np.array([1e2, 1e4, 3e5])).tolist() == [0, 1, 2]
    lone = _of(grades(_nizn("b", 500, frequency=narrow)))
    assert lone.band_missing == ((1e3, pytest.approx(1e5)), (pytest.approx(1e6), 3e6))
    outside = _of(grades(_nizn("c", 500, frequency=np.geomspace(1e7, 1e8, 20))))
    assert outside.band_missing == ((1e3, 3e6),)


def _run(*words):
    return CliRunner().invoke(root, ["library", "coverage", *map(str, words)])


def test_the_command_names_the_holes_and_draws(tmp_path):
    for name, level in (("a", 300), ("b", 1200)):
        write_material(tmp_path / "lib", _nizn(name, level))
    done = _run("--library", tmp_path / "lib", "--figures", tmp_path / "pictures")
    assert done.exit_code == 0, done.stderr
    told = " ".join(done.stdout.split())
    assert "nothing of NiZn between 4 and 234, between 385 and 935 and between 1540 and 2500" in told
    assert "nothing of MnZn at all" in told
    assert {p.name for p in (tmp_path / "pictures").iterdir()} == {
        "library-coverage.svg",
        "library-coverage.png",
    }
    found = json.loads(_run("--library", tmp_path / "lib", "--json").stdout)
    nizn = next(item for item in found["classes"] if item["class"] == "NiZn")
    assert [m["id"] for m in nizn["materials"]] == ["a", "b"]
    assert nizn["decades"][0] == {"from_hz": 1e3, "to_hz": 1e4, "curves": 2}
    assert nizn["holes"][1]["low"] == pytest.approx(385, abs=0.5)


def test_an_empty_library_is_one_line(tmp_path):
    (tmp_path / "empty").mkdir()
    done = _run("--library", tmp_path / "empty")
    assert (done.exit_code, done.stdout, done.stderr.count("\n")) == (3, "", 1)
    assert "no material" in done.stderr


@pytest.mark.parametrize("width", [4.0, 7.0])
@pytest.mark.parametrize("dark", [False, True])
def test_nothing_runs_off_the_picture(dark, width):
    figure = figures.coverage_figure(
        coverage_of(load_library()), "what they cover", dark=dark, width_in=width
    )
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    edge = figure.bbox
    texts = [*figure.legends[0].get_texts(), *(label for a in figure.axes for label in a.get_yticklabels())]
    assert {text.get_text() for text in figure.legends[0].get_texts()} >= {"MnZn", "NiZn", "amorphous"}
    for text in texts:
        box = text.get_window_extent(canvas.get_renderer())
        assert box.x0 >= -1
        assert box.x1 <= edge.x1 + 1


def test_every_class_has_a_colour_a_marker_and_a_line_of_its_own():
    from whichcore.figures.coverage import LOOKS  # noqa: PLC0415 - the drawing library loads slowly

    assert set(LOOKS) == set(MaterialClass)
    assert len({marker for _, marker, _ in LOOKS.values()}) == len(LOOKS)
    assert len({line for _, _, line in LOOKS.values()}) == len(LOOKS)
