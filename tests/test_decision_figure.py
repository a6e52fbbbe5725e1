"""The pictures of what decided and of what no gap changes."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from identification import grade, grades, relaxation, ring, wound
from whichcore import figures
from whichcore.analysis.identify import identify
from whichcore.errors import AnalysisError

# the second one differs in its course: that its level or a turn too few decides is another picture
LIBRARY = grades(grade("a", 2300, 1.8e6), grade("b", 2300, 3.4e6))
NAMES = {"a": "first grade", "b": "second grade of a rather long name"}


@pytest.fixture(scope="module")
def verdict():
    return identify(ring(), sweep=wound(relaxation(2300, 1.8e6)), library=LIBRARY)


def texts(figure):
    FigureCanvasAgg(figure).draw()
    return "\n".join(text.get_text() for legend in figure.legends for text in legend.get_texts())


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [4.0, 7.0])
def test_what_decided_is_drawn(verdict, dark, width):
    figure = figures.decision_figure(verdict, NAMES, "one core", dark=dark, width_in=width)
    said = " ".join(texts(figure).split())
    assert "1: first grade" in said
    assert "2: second grade of a rather long name" in said
    assert "band that decided" in said
    top, bottom = figure.axes
    line = next(line for line in bottom.get_lines() if line.get_linewidth() == 2.0)
    # the running odds end at the whole, in powers of ten
    assert line.get_ydata()[-1] == pytest.approx(verdict.decided_by.total / np.log(10))
    ratio = next(line for line in top.get_lines() if line.get_marker() == "s")
    fitted = next(c.fitted for c in verdict.candidates if c.material == verdict.decided_by.first)
    part = {"μ′": np.real, "μ″": lambda z: -np.imag(z)}.get(verdict.decided_by.part, np.abs)
    expected = 100 * part(verdict.spectrum.permeability) / part(fitted)
    drawn = np.isfinite(ratio.get_ydata())
    assert drawn.sum() > 20
    assert ratio.get_ydata()[drawn] == pytest.approx(expected[drawn])


def test_labels_do_not_run_off_a_phone(verdict):
    figure = figures.decision_figure(verdict, NAMES, "one core", width_in=4.0)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    heading = figure._suptitle.get_window_extent()
    for panel in figure.axes:
        box = panel.yaxis.label.get_window_extent()
        assert box.x0 >= 0
        assert box.y1 <= heading.y0
        assert box.height <= 1.35 * panel.get_window_extent().height


def test_points_that_say_nothing_are_marked_and_not_drawn():
    noisy = identify(ring(), sweep=wound(relaxation(2300, 1.8e6), noise=0.05), library=LIBRARY)
    noisy = replace(noisy, decided_by=replace(noisy.decided_by, part="μ″"))
    assert "interval wider than ±50 %, not drawn" in texts(figures.decision_figure(noisy, NAMES, "noisy"))


def test_a_gap_moves_the_lower_panel_and_not_the_upper():
    ratio = 5e-6 / 60e-3
    sweep = wound(1 / (1 / relaxation(10000, 0.25e6) + ratio), noise=0.002)
    verdict = identify(ring(), sweep=sweep, library=grades(grade("d", 10000, 0.25e6), grade("c", 800, 8e6)))
    assert verdict.candidates[0].gap_ratio > 0
    figure = figures.gap_invariant_figure(verdict, NAMES, "cracked")
    top, bottom = figure.axes
    measured, whole = (
        [
            next(line for line in panel.get_lines() if line.get_marker() == mark).get_ydata()
            for panel in (top, bottom)
        ]
        for mark in ("o", "s")
    )
    # analytic: Im(1/μ) keeps with a gap; tolerance: noise of 0.2 % and the fit, above 100 kHz
    assert whole[0][-40:] == pytest.approx(measured[0][-40:], rel=0.1)
    # analytic: 1/(1/10000 + 5 µm/60 mm) = 5455 is what a whole core of 10000 shows
    assert whole[1][0] / measured[1][0] == pytest.approx(10000 / 5455, rel=0.1)


def test_a_gap_is_taken_off_with_the_turns_of_its_candidate():
    """Of a cracked core with one turn more than stated 1/fitted holds g (10/11)², not g."""
    ratio, core = 5e-4, relaxation(2300, 1.8e6)
    verdict = identify(ring(), sweep=wound(core, noise=0.002), library=LIBRARY)
    first = replace(
        verdict.candidates[0], gap_ratio=ratio, turns=11, fitted=(11 / 10) ** 2 / (1 / core + ratio)
    )
    figure = figures.gap_invariant_figure(replace(verdict, candidates=(first,)), NAMES, "cracked")
    drawn = next(line for line in figure.axes[1].get_lines() if line.get_marker() == "s").get_ydata()
    # analytic: read with 10 turns a whole core shows (11/10)² of its permeability
    assert drawn == pytest.approx(1.21 * core.real, rel=1e-9)


def test_a_verdict_without_a_curve_is_refused(verdict):
    bare = replace(verdict, spectrum=None, decided_by=None)
    for drawing in (figures.decision_figure, figures.gap_invariant_figure):
        with pytest.raises(AnalysisError, match="no curve"):
            drawing(bare, NAMES, "nothing")


def test_where_no_band_decided_the_judged_odds_are_marked(verdict):
    plain = figures.decision_figure(verdict, NAMES, "one core")
    assert "no band decided" not in texts(plain)
    judged = replace(verdict, decided_by=replace(verdict.decided_by, band_hz=None, judged=6.0))
    figure = figures.decision_figure(judged, NAMES, "one core")
    assert "odds as judged: no band decided" in texts(figure)
    assert "band that decided" not in texts(figure)
    marks = next(line for line in figure.axes[1].get_lines() if line.get_marker() == "D")
    assert marks.get_ydata() == pytest.approx(6.0 / np.log(10))  # analytic
    assert marks.get_xdata() == pytest.approx(verdict.decided_by.frequency_hz[-1])
