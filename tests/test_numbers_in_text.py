"""Numbers keep their sign and unit where a line breaks, take no power of ten, and agree with their noun."""

import re
import subprocess
from dataclasses import replace

import html5lib
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from identification import grade, grades, relaxation, ring, wound
from whichcore import figures
from whichcore.analysis import conditions
from whichcore.analysis.identify import identify
from whichcore.analysis.specimen import Winding
from whichcore.analysis.types import Reading, ReadingKind
from whichcore.analysis.winding import winding_capacitance
from whichcore.cli.library_separable import _grouped
from whichcore.cli.show import Heading, Lines, page
from whichcore.errors import AnalysisError
from whichcore.figures.style import wrapped
from whichcore.known_core import _place
from whichcore.report import written
from whichcore.report.document import Points, Report, Section, Sheet, Words
from whichcore.rig import doctor
from whichcore.verdict_words import rest_sentence, verdict_sentence
from whichcore.wording import bound, count_of, plain, quantity
from whichcore.workflow import Identification, write_pictures

TEXT = (
    "of 111 materials: < 0.1 % and > 99.9 %, 2299 ± 43 at 1.1 kHz, 25 °C, 3.2 pF, × 1.53, 10 000 to 1, 17 mΩ"
)
BROKEN = re.compile(r"[<>±×]\n|\d\n *(?:[%±°]|k?Hz|pF|mΩ|000)")


@pytest.mark.parametrize("width", range(8, 100))
def test_no_line_ends_between_a_number_and_its_unit(monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    for block in (Heading(TEXT), Lines((TEXT,))):
        shown = page([block])
        assert " ".join(shown.split()) == TEXT or width < 12  # the spaces that are printed are plain ones
        assert not BROKEN.search(shown) or width < 12  # narrower than the longest number with its unit


def test_neither_does_a_title_or_a_label_of_a_picture():
    for width in np.linspace(0.8, 7, 60):
        shown = wrapped(TEXT, float(width), 9.0)
        assert "\u00a0" not in shown
        assert not BROKEN.search(shown)


def test_words_are_not_bound():
    plain_words = "one of 9 materials, 2 tests, in 5 groups: MnZn 800, generic, at most 3 and 4"
    assert bound(plain_words, "_") == plain_words
    assert bound("below < 0.1 % at 10 kHz", "_") == "below <_0.1_% at 10_kHz"


@pytest.mark.parametrize(
    ("value", "digits", "shown"),
    [
        (132.0, 2, "130"),
        (5.3e2, 2, "530"),
        (1e2, 2, "100"),
        (3.24, 2, "3.2"),
        (99.6, 2, "100"),
        (0.0123, 2, "0.012"),
    ],
)
def test_two_digits_are_no_power_of_ten(value, digits, shown):
    assert plain(value, digits) == shown  # analytic


def test_a_quantity_of_two_digits_takes_its_prefix_and_no_power():
    assert quantity(1.3e-4, "m", 2) == "130 µm"  # analytic
    assert quantity(5.27e-10, "F", 2) == "530 pF"


def test_the_capacitance_of_many_turns_is_written_out():
    notes = winding_capacitance(Winding(5000), ring().core, 1e3).notes
    (note,) = [note for note in notes if "capacitance estimated" in note]
    assert "e+" not in note
    assert re.search(r"estimated: \d+ pF, standard uncertainty \d+ pF", note)


def test_voltages_and_levels_of_two_digits_take_their_prefix():
    # analytic: two digits
    assert doctor._offset(np.array([0.0123, -0.1234]), "short").found == "120 mV"
    assert conditions._said(conditions.Condition(25.0, 0.1234)) == "25 degC, 120 mT"


def test_one_reference_is_no_number_of_them():
    odd = 1 + 400 / (1 + 1j * np.geomspace(1e3, 3e6, 120) / 4e4) ** 0.5
    verdict = identify(ring(), sweep=wound(odd), library=grades(grade("a", 400, 1.5e7)))
    assert verdict.kind.value == "unlisted"
    assert "not the one reference material there is" in verdict_sentence(verdict, {})
    assert "the 1 " not in verdict_sentence(verdict, {})
    assert rest_sentence(verdict.candidates[:1]).startswith("The other one: ")
    assert rest_sentence(verdict.candidates * 2).startswith("The other 2 together: ")


def test_groups_points_and_pairs_agree_with_their_number():
    assert _grouped([]) == ""
    assert _grouped([3]) == ", 1 group holds 3"
    assert _grouped([3, 2]) == ", 2 groups hold 5"
    assert _place(np.array([1000.0])) == "at 1 kHz"
    assert _place(np.array([1000.0, 2000.0])) == "between 1 kHz and 2 kHz"
    assert [count_of(n, "pair") for n in (0, 1, 2)] == ["0 pairs", "1 pair", "2 pairs"]


# --- reports ------------------------------------------------------------------------------------------------


def _report(text):
    """Return a report in which a text meets the end of the line, and of a narrow column, at every place."""
    shifted = [f"{'i' * n} {text}" for n in range(1, 90)]
    table = Sheet(
        "narrow", ("name", "a", "b"), tuple((f"core {n}", line, line) for n, line in enumerate(shifted))
    )
    sections = (Section("lines", (Points(tuple(shifted)), Words(text), table)),)
    return Report("core", text, text, "2026-01-05T10:00:00+00:00", (text,), sections)


def test_no_line_of_a_printed_report_ends_between_a_number_and_its_unit(tmp_path):
    path = tmp_path / "report.pdf"
    path.write_bytes(written(_report(TEXT), "pdf"))
    # raw: in the order in which it was written, a cell after the other
    words = subprocess.run(["pdftotext", "-raw", path, "-"], check=True, capture_output=True).stdout.decode()
    assert len(words.splitlines()) > 250
    assert not BROKEN.search(words)
    assert "25 °C" in words


def test_numbers_of_a_report_page_are_bound():
    tree = html5lib.parse(written(_report(TEXT), "html").decode(), namespaceHTMLElements=False)
    seen = 0
    for node in tree.iter():
        if node.text and node.text.endswith("mΩ"):
            assert node.text.endswith(bound(TEXT))
            seen += 1
    assert seen == 89 * 3 + 4  # computed: points and two columns; warning, answer, made and one paragraph


# --- pictures -----------------------------------------------------------------------------------------------


def test_odds_along_one_point_are_not_drawn(tmp_path):
    library = grades(grade("a", 2300, 1.8e6), grade("b", 2300, 2.6e6))
    one = np.array([1e5])
    case = Identification(ring(), wound(relaxation(2300, 1.8e6, one), one), library, None)
    verdict = identify(case.specimen, sweep=case.sweep, library=library)
    assert verdict.decided_by is not None
    with pytest.raises(AnalysisError, match="odds run up along a curve"):
        figures.decision_figure(verdict, {}, "one point")
    written = write_pictures(replace(case, verdict=verdict), tmp_path / "core", "core")
    names = {path.stem for path in written}
    assert "core-candidates" in names
    assert "core-decision" not in names


@pytest.mark.parametrize(
    ("second", "expected"), [(2300.0, ["named by the verdict"]), (9000.0, ["named by the verdict"])]
)
def test_the_legend_of_the_bars_shows_what_bars_show(second, expected):
    """Two equal grades are both named; of two that differ widely the other has no bar to be seen."""
    library = grades(grade("a", 2300, 1.8e6), grade("b", second, 1.8e6, tolerance=0.1))
    reading = Reading(ReadingKind.INDUCTANCE, 2.34e-4, 1e4)
    verdict = identify(ring(), sweep=wound(relaxation(2300, 1.8e6)), readings=[reading], library=library)
    figure = figures.candidates_figure(verdict, {}, "core")
    FigureCanvasAgg(figure).draw()
    told = [text.get_text() for legend in figure.legends for text in legend.get_texts()]
    assert told == expected


def test_a_bar_that_is_seen_and_not_named_has_its_legend():
    library = grades(grade("a", 2300, 1.8e6), grade("b", 2300, 2.0e6))
    verdict = identify(ring(), sweep=wound(relaxation(2300, 1.8e6)), library=library)
    shares = (0.85, 0.15)
    found = tuple(replace(c, probability=p) for c, p in zip(verdict.candidates, shares, strict=True))
    figure = figures.candidates_figure(
        replace(verdict, candidates=found, materials=(found[0].material,), unlisted_probability=0.0),
        {},
        "core",
    )
    FigureCanvasAgg(figure).draw()
    told = [text.get_text() for legend in figure.legends for text in legend.get_texts()]
    assert told == ["named by the verdict", "not named"]
