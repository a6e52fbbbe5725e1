"""Figures: what they show, that nothing is covered or lost, and who can read them."""

import itertools
import os
import subprocess
import sys

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from PIL import Image

from whichcore import figures
from whichcore.analysis.types import ErrorSource, ImpedanceSweep, PermeabilitySpectrum, Scope
from whichcore.analysis.verdict import Candidate, InitialPermeability, Verdict, VerdictKind
from whichcore.errors import AnalysisError, InputError
from whichcore.figures.curves import CANDIDATE_COLOURS
from whichcore.figures.style import DARK, LIGHT
from whichcore.figures.style import theme as theme_of
from whichcore.wording import percent

FREQUENCY = np.geomspace(1e3, 3e6, 41)
NAMES = {
    "one": "MnZn 2300, generic",
    "two": "a grade whose name is so long that it needs two lines on a phone",
}


def relaxation(static, corner_hz):
    return 1 + (static - 1) / (1 + 1j * FREQUENCY / corner_hz)


def spectrum(permeability=None, relative=0.01):
    mu = relaxation(2300, 2e6) if permeability is None else permeability
    size = np.where(np.isfinite(mu), np.abs(mu), 1.0)
    return PermeabilitySpectrum(FREQUENCY, mu, np.eye(2) * (relative * size)[:, None, None] ** 2)


def sweep(impedance=None, sources=()):
    z = 2j * np.pi * FREQUENCY * 5e-8 * relaxation(2300, 2e6) if impedance is None else impedance
    size = np.where(np.isfinite(z), np.abs(z), 1.0)
    return ImpedanceSweep(FREQUENCY, z, np.eye(2) * (0.01 * size)[:, None, None] ** 2, sources)


def candidate(name, probability, fitted=None):
    return Candidate(name, "MnZn", probability, fitted=fitted)


def verdict(*candidates, materials=("one",), unlisted=0.05):
    initial = InitialPermeability(2300.0, 20.0, 1e3, None, 23.0)
    return Verdict(VerdictKind.MATERIAL, materials, "MnZn", 0.8, candidates, unlisted, initial)


def three():
    beyond = FREQUENCY > 1e6
    cut = relaxation(2000, 2.2e6)
    cut[beyond] = np.nan
    return verdict(
        candidate("one", 0.8, relaxation(2350, 2e6)),
        candidate("two", 0.1, cut),
        candidate("three", 0.05, relaxation(2900, 1.5e6)),
        candidate("four", 0.0, relaxation(900, 9e6)),
    )


def all_figures(**options):
    many = verdict(*(candidate(f"m{i}", 0.95 / 12) for i in range(12)), materials=("m0",))
    long_names = NAMES | {f"m{i}": NAMES["two"] + f" {i}" for i in range(0, 12, 3)}
    return {
        "impedance": figures.impedance_figure(sweep(), "impedance of bin A", **options),
        "permeability": figures.permeability_figure(spectrum(), three(), NAMES, "bin A", **options),
        "candidates": figures.candidates_figure(many, long_names, "what bin A may be", **options),
    }


def drawn(figure):
    """Return the renderer of a figure laid out once."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return canvas.get_renderer()


def line(panel, label):
    """Return the line of a panel that its figure's legend shows under a label."""
    legend = panel.figure.legends[0]
    handles = dict(zip((text.get_text().replace("\n", " ") for text in legend.get_texts()),
                       legend.legend_handles, strict=True))  # fmt: skip
    wanted = handles[label]
    found = [
        item
        for item in panel.lines
        if (item.get_marker(), item.get_linestyle(), item.get_color(), item.get_markersize())
        == (wanted.get_marker(), wanted.get_linestyle(), wanted.get_color(), wanted.get_markersize())
    ]
    assert len(found) == 1
    return found[0]


def legend_texts(figure):
    return [text.get_text().replace("\n", " ") for text in figure.legends[0].get_texts()]


def bands(panel):
    return [item.get_paths()[0].vertices for item in panel.collections]


# --- what is shown ------------------------------------------------------------------------------------------


def test_impedance_shows_magnitude_and_phase_with_units():
    figure = figures.impedance_figure(sweep(), "bin A")
    top, bottom = figure.axes
    assert (top.get_ylabel(), bottom.get_ylabel()) == ("|Z| (Ω)", "phase of Z (°)")
    assert bottom.get_xlabel() == "frequency (Hz)"
    assert (top.get_xscale(), top.get_yscale()) == ("log", "log")
    np.testing.assert_allclose(line(top, "measured").get_ydata(), np.abs(sweep().impedance_ohm))
    np.testing.assert_allclose(
        line(bottom, "measured").get_ydata(), np.degrees(np.angle(sweep().impedance_ohm))
    )


def test_impedance_band_is_95_percent_of_scatter_and_sources():
    """Analytic: Z = 3 + 4j, u = 0.03 and 0.04 Ω scatter along R and X and a source of 0.05j Ω.

    u(|Z|)² = 0.6²·0.03² + 0.8²·(0.04² + 0.05²); u(φ)² = (0.8/5)²·0.03² + (0.6/5)²·(0.04² + 0.05²).
    """
    ones = np.ones(FREQUENCY.size)
    scatter = np.diag([0.03**2, 0.04**2]) * ones[:, None, None]
    source = ErrorSource("short", Scope.SWEEP, 0.05j * ones)
    data = ImpedanceSweep(FREQUENCY, (3 + 4j) * ones, scatter, (source,))
    top, bottom = figures.impedance_figure(data, "bin A").axes
    x = 0.04**2 + 0.05**2
    u_magnitude = np.sqrt(0.36 * 0.03**2 + 0.64 * x)
    u_phase = np.degrees(np.sqrt(0.16**2 * 0.03**2 + 0.12**2 * x))
    for panel, middle, u in ((top, 5.0, u_magnitude), (bottom, np.degrees(np.arctan2(4, 3)), u_phase)):
        edge = bands(panel)[0][:, 1]
        assert edge.max() == pytest.approx(middle + 1.959964 * u, rel=1e-6)  # normal 97.5 % point; memory
        assert edge.min() == pytest.approx(middle - 1.959964 * u, rel=1e-6)


def test_impedance_legend_says_how_wide_the_band_is():
    texts = legend_texts(figures.impedance_figure(sweep(), "bin A"))
    assert texts == ["measured", "its 95 % interval, ±2 to ±2 % of |Z|"]  # analytic: 1.96 · 1 %


def test_permeability_shows_measured_and_the_best_three_candidates():
    figure = figures.permeability_figure(spectrum(), three(), NAMES, "bin A")
    assert [panel.get_ylabel() for panel in figure.axes] == ["μ′ (relative)", "μ″ (relative)"]
    assert figure.axes[1].get_xlabel() == "frequency (Hz)"
    assert legend_texts(figure) == [
        "measured",
        "its 95 % interval",
        "1: MnZn 2300, generic, 80 %",
        "2: a grade whose name is so long that it needs two lines on a phone, 10 %",
        "3: three, 5.0 %",
    ]
    for axis, panel in enumerate(figure.axes):
        want = spectrum().permeability.real if axis == 0 else -spectrum().permeability.imag
        np.testing.assert_allclose(line(panel, "measured").get_ydata(), want)


def test_a_candidate_is_not_drawn_beyond_its_span():
    """A NaN put into a complex array may leave the imaginary part zero; neither part may be drawn then."""
    figure = figures.permeability_figure(spectrum(), three(), NAMES, "bin A")
    beyond = FREQUENCY > 1e6
    for panel in figure.axes:
        label = "2: a grade whose name is so long that it needs two lines on a phone, 10 %"
        values = line(panel, label).get_ydata()
        assert np.isnan(values[beyond]).all()
        assert np.isfinite(values[~beyond]).all()


def test_permeability_band_uses_the_covariance_of_its_own_part():
    scatter = np.diag([3.0**2, 0.5**2]) * np.ones((FREQUENCY.size, 1, 1))
    data = PermeabilitySpectrum(FREQUENCY, np.full(FREQUENCY.size, 100 - 20j), scatter)
    for panel, middle, u in zip(
        figures.permeability_figure(data, verdict(), {}, "x").axes, (100, 20), (3.0, 0.5), strict=True
    ):
        assert bands(panel)[0][:, 1].max() == pytest.approx(middle + 1.959964 * u, rel=1e-6)


def test_candidates_show_the_best_eight_the_rest_and_none_of_these():
    probabilities = [0.4, 0.2, 0.1, 0.05, 0.05, 0.05, 0.02, 0.02, 0.02, 0.01]
    answer = verdict(
        *(candidate(f"m{i}", p) for i, p in enumerate(probabilities)), materials=("m0",), unlisted=0.08
    )
    panel = figures.candidates_figure(answer, {"m0": "first"}, "bin A").axes[0]
    texts = [text.get_text() for text in panel.texts]
    assert texts[0] == "1: first, 40 %"
    assert texts[-2:] == ["the other 2 together, 3.0 %", "none of these, 8.0 %"]
    assert len(texts) == 10
    widths = [bar.get_width() for bar in panel.patches]
    np.testing.assert_allclose(widths, [40, 20, 10, 5, 5, 5, 2, 2, 3, 8])  # analytic: the list above in %
    assert sum(widths) == pytest.approx(100)
    assert panel.get_xlabel() == "probability (%)"


def test_bars_are_told_apart_without_colour():
    answer = verdict(*(candidate(f"m{i}", 0.09) for i in range(10)), materials=("m0",), unlisted=0.1)
    bars = figures.candidates_figure(answer, {}, "bin A").axes[0].patches
    assert len({bars[i].get_hatch() for i in (0, 1, -2, -1)}) == 4
    assert {bars[i].get_hatch() for i in range(1, 8)} == {bars[1].get_hatch()}


@pytest.mark.parametrize(
    ("probability", "text"),
    [
        (0.0, "< 0.1 %"),
        (0.0004, "< 0.1 %"),
        (0.0312, "3.1 %"),
        (0.5, "50 %"),
        (0.993, "99.3 %"),
        (0.99996, "> 99.9 %"),
        (1.0, "> 99.9 %"),
    ],
)
def test_a_probability_is_never_rounded_to_certainty(probability, text):
    assert percent(probability) == text


# --- nothing is lost in silence -----------------------------------------------------------------------------


def test_negative_and_zero_values_are_shown_and_marked():
    mu = relaxation(2300, 2e6)
    mu[3] = mu[3].real + 4j  # μ″ = −4
    mu[5] = mu[5].real
    figure = figures.permeability_figure(spectrum(mu), verdict(), {}, "bin A")
    top, bottom = figure.axes
    assert (top.get_yscale(), bottom.get_yscale()) == ("log", "symlog")
    assert "linear within ±" in bottom.get_ylabel()
    marked = line(bottom, "measured, zero or below")
    np.testing.assert_allclose(marked.get_xdata(), FREQUENCY[[3, 5]])
    np.testing.assert_allclose(marked.get_ydata(), [-4.0, 0.0])
    low, high = bottom.get_ylim()
    assert low < -4
    assert high > -mu.imag.min()


def test_values_that_are_no_numbers_are_marked():
    mu = relaxation(2300, 2e6)
    mu[7] = np.nan
    figure = figures.permeability_figure(spectrum(mu), three(), NAMES, "bin A")
    for panel in figure.axes:
        np.testing.assert_allclose(line(panel, "no value").get_xdata(), FREQUENCY[[7]])
    drawn(figure)
    z = sweep().impedance_ohm.copy()
    z[2] = np.nan
    figure = figures.impedance_figure(sweep(z), "bin A")
    for panel in figure.axes:
        np.testing.assert_allclose(line(panel, "no value").get_xdata(), FREQUENCY[[2]])
    drawn(figure)


@pytest.mark.parametrize("value", [np.nan, 0.0, -5.0 + 3j, 1e-9 - 1e-9j, np.inf])
def test_hopeless_data_still_give_a_figure(value):
    flat = np.full(FREQUENCY.size, value, dtype=complex)
    drawn(figures.permeability_figure(spectrum(flat), verdict(), {}, "bin A"))
    drawn(figures.impedance_figure(sweep(flat), "bin A"))


def test_one_point_gives_a_figure():
    data = PermeabilitySpectrum(np.array([1e4]), np.array([100 - 1j]), np.eye(2)[None] * 0.01)
    drawn(figures.permeability_figure(data, verdict(), {}, "bin A"))


def test_no_points_are_refused():
    empty = ImpedanceSweep(np.array([]), np.array([], dtype=complex), np.zeros((0, 2, 2)))
    with pytest.raises(AnalysisError, match="nothing to draw"):
        figures.impedance_figure(empty, "bin A")


def test_a_curve_on_other_frequencies_is_refused():
    with pytest.raises(AnalysisError, match=r"one: the curve .* got shape \(3,\); allowed: \(41,\)"):
        figures.permeability_figure(spectrum(), verdict(candidate("one", 0.9, np.ones(3) + 0j)), {}, "x")


def test_names_are_text_and_not_formulas():
    odd = {"one": r"_price $\frac{$ {x} %"}
    answer = verdict(candidate("one", 0.9, relaxation(2300, 2e6)))
    for figure in (
        figures.permeability_figure(spectrum(), answer, odd, r"$\alpha"),
        figures.candidates_figure(answer, odd, r"$\alpha"),
    ):
        drawn(figure)
        shown = [text for legend in figure.legends for text in legend.get_texts()] + list(
            figure.axes[0].texts
        )
        assert any(r"_price $\frac{$ {x} %" in text.get_text() for text in shown)


# --- nothing is covered -------------------------------------------------------------------------------------


@pytest.mark.parametrize("width_in", [4.0, 7.0, 10.0])
def test_texts_and_legends_cover_nothing_and_stay_inside(width_in):
    for name, figure in all_figures(width_in=width_in).items():
        renderer = drawn(figure)
        page = figure.bbox
        title = figure._suptitle.get_window_extent(renderer)
        rows = [title] + [legend.get_window_extent(renderer) for legend in figure.legends]
        panels = [panel.get_tightbbox(renderer) for panel in figure.axes]
        for row in rows:
            assert not any(row.overlaps(panel) for panel in panels), name
            assert row.x0 >= page.x0 - 1
            assert row.x1 <= page.x1 + 1
        for panel in panels:
            assert panel.x0 >= page.x0 - 1
            assert panel.x1 <= page.x1 + 1
        assert not any(a.overlaps(b) for a, b in itertools.combinations(rows, 2))


@pytest.mark.parametrize("width_in", [4.0, 7.0])
def test_bar_labels_overlap_no_bar_and_no_other_label(width_in):
    figure = all_figures(width_in=width_in)["candidates"]
    renderer = drawn(figure)
    panel = figure.axes[0]
    boxes = [item.get_window_extent(renderer) for item in [*panel.texts, *panel.patches]]
    assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))
    right = panel.get_window_extent(renderer).x1
    assert all(text.get_window_extent(renderer).x1 <= right + 1 for text in panel.texts)


@pytest.mark.parametrize("width_in", [4.0, 7.0])
def test_tick_labels_do_not_run_into_each_other(width_in):
    for figure in all_figures(width_in=width_in).values():
        renderer = drawn(figure)
        for panel in figure.axes:
            for axis in (panel.xaxis, panel.yaxis):
                low, high = sorted(axis.get_view_interval())
                boxes = [
                    tick.label1.get_window_extent(renderer)
                    for tick in axis.get_major_ticks() + axis.get_minor_ticks()
                    if tick.label1.get_visible() and tick.label1.get_text() and low <= tick.get_loc() <= high
                ]
                assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))


# --- grey and colour-blind eyes -----------------------------------------------------------------------------

# Machado, Oliveira & Fernandes, IEEE Trans. Vis. Comput. Graph. 15, 1291 (2009), severity 1.0, on linear RGB
MACHADO = {  # memory
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
}  # fmt: skip


def linear(colour):
    rgb = np.array(to_rgb(colour))
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1; memory


def lab(rgb):
    """CIE 1976 L*a*b* of linear sRGB under D65; memory."""
    matrix = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    x, y, z = np.array(matrix) @ np.clip(rgb, 0, 1) / np.array([0.9505, 1.0, 1.089])
    f = [np.cbrt(t) if t > (6 / 29) ** 3 else t / (3 * (6 / 29) ** 2) + 4 / 29 for t in (x, y, z)]
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def curve_colours(theme):
    return [theme.ink, *CANDIDATE_COLOURS]


def test_the_colour_sum_gives_white_and_black():
    np.testing.assert_allclose(lab(linear("white")), [100, 0, 0], atol=0.02)  # definition of L*a*b*
    np.testing.assert_allclose(lab(linear("black")), [0, 0, 0], atol=1e-9)
    for matrix in MACHADO.values():
        np.testing.assert_allclose(np.sum(matrix, axis=1), 1, atol=2e-6)  # grey stays grey


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_curves_differ_in_grey(theme):
    lightness = [lab(linear(colour))[0] for colour in curve_colours(theme)]
    assert min(abs(a - b) for a, b in itertools.combinations(lightness, 2)) > 8  # practice


@pytest.mark.parametrize("theme", [LIGHT, DARK])
@pytest.mark.parametrize("kind", list(MACHADO))
def test_curves_differ_for_colour_blind_eyes(theme, kind):
    seen = [lab(np.array(MACHADO[kind]) @ linear(colour)) for colour in curve_colours(theme)]
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) > 20  # practice


@pytest.mark.parametrize("dark", [False, True])
def test_text_and_measured_curve_stand_out_from_the_paper(dark):
    theme = theme_of(dark)
    y = [0.2126 * c[0] + 0.7152 * c[1] + 0.0722 * c[2] for c in (linear(theme.ink), linear(theme.paper))]
    contrast = (max(y) + 0.05) / (min(y) + 0.05)
    assert contrast > 7  # WCAG 2.1, 1.4.6: 7 to 1; memory
    for figure in all_figures(dark=dark).values():
        assert figure.get_facecolor() == (*to_rgb(theme.paper), 1.0)
        assert figure._suptitle.get_color() == theme.ink
        assert all(panel.xaxis.label.get_color() == theme.ink for panel in figure.axes)


def test_curves_differ_in_stroke_and_mark():
    figure = figures.permeability_figure(spectrum(), three(), NAMES, "bin A")
    strokes = [(item.get_marker(), str(item._unscaled_dash_pattern)) for item in figure.axes[0].lines]
    assert len(strokes) == 4
    assert len({mark for mark, _ in strokes}) == len({dash for _, dash in strokes}) == 4


# --- files --------------------------------------------------------------------------------------------------


def test_equal_figures_give_equal_bytes(tmp_path):
    for name, figure in all_figures(width_in=4.0).items():
        figures.save(figure, tmp_path / f"{name}-1")
    for name, figure in all_figures(width_in=4.0).items():
        figures.save(figure, tmp_path / f"{name}-2")
        for ending in ("svg", "png"):
            first = (tmp_path / f"{name}-1.{ending}").read_bytes()
            assert first == (tmp_path / f"{name}-2.{ending}").read_bytes()


def test_saving_gives_both_files_and_nothing_else(tmp_path):
    figure = figures.impedance_figure(sweep(), "Bin A & <friends>", width_in=4.0)
    paths = figures.save(figure, tmp_path / "bin.a")
    assert [path.name for path in paths] == ["bin.a.svg", "bin.a.png"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bin.a.png", "bin.a.svg"]
    with Image.open(paths[1]) as picture:
        assert picture.width == 600  # analytic: 4 in at 150 dots per inch
        assert picture.info["dpi"] == pytest.approx((150, 150), abs=0.1)
    svg = paths[0].read_text(encoding="utf-8")
    assert "<text" in svg
    assert "Bin A &amp; &lt;friends&gt;" in svg
    assert "frequency (Hz)" in svg
    assert "<dc:date>" not in svg


def test_text_of_another_script_is_kept(tmp_path):
    (path,) = figures.save(figures.impedance_figure(sweep(), "磁芯"), tmp_path / "z", ("svg",))
    assert "磁芯" in path.read_text(encoding="utf-8")
    figures.save(figures.impedance_figure(sweep(), "磁芯"), tmp_path / "z", ("png",))


def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    figure = figures.impedance_figure(sweep(), "bin A")
    (path,) = figures.save(figure, tmp_path / "z", ("png",))
    before = path.read_bytes()

    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="cannot be written; got No space left"):
        figures.save(figure, tmp_path / "z", ("png",))
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_missing_folder_and_unknown_format_are_one_clear_line(tmp_path):
    figure = figures.impedance_figure(sweep(), "bin A")
    with pytest.raises(InputError, match=r"z\.svg: the file cannot be written"):
        figures.save(figure, tmp_path / "nowhere" / "z")
    with pytest.raises(InputError, match="unknown picture format; got bmp; allowed: svg, png"):
        figures.save(figure, tmp_path / "z", ("png", "bmp"))
    assert list(tmp_path.iterdir()) == []


def test_settings_of_the_process_stay_as_they_were(tmp_path):
    before = dict(mpl.rcParams)
    figures.save(figures.impedance_figure(sweep(), "bin A"), tmp_path / "z")
    assert dict(mpl.rcParams) == before


def test_no_window_and_no_global_figures():
    code = "import sys, whichcore.figures; print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
