"""Reading a curve off a picture: the axes from four marks, the uncertainty of a click."""

import io
import math

import numpy as np
import pytest
from matplotlib.figure import Figure

from whichcore.analysis.graph_reading import Graph, GraphAxis, Mark, trace
from whichcore.errors import InputError

PIL = pytest.importorskip("PIL.Image")


def relaxation(frequency):
    """Return μ′ of one relaxation, μi 800, corner 2 MHz."""
    return 1 + 799 / (1 + (frequency / 2e6) ** 2)


def graph(click_px=1.0, turn=0.0, shear=0.0, log=(True, True)):
    """Return a graph of 1 kHz to 1 MHz and 10 to 1000 on 600 x 400 pixels, turned and sheared."""

    def place(x, y):
        x += shear * y
        return x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)

    horizontal = GraphAxis(Mark(*place(100, 500), 1e3), Mark(*place(700, 500), 1e6), log[0])
    vertical = GraphAxis(Mark(*place(100, 480), 10.0), Mark(*place(100, 80), 1000.0), log[1])
    return Graph(horizontal, vertical, click_px), place


@pytest.mark.parametrize(("turn", "shear"), [(0.0, 0.0), (0.03, 0.0), (-0.2, 0.1)])
def test_a_turned_and_sheared_page_gives_the_values_at_its_marks(turn, shear):
    given, place = graph(turn=turn, shear=shear)
    read = trace(given, [place(100, 480), place(400, 280), place(700, 80)])
    # analytic: the middle of a logarithmic axis is the geometric mean
    np.testing.assert_allclose(read.frequency_hz, [1e3, math.sqrt(1e9), 1e6], rtol=1e-12)
    np.testing.assert_allclose(read.value, [10, 100, 1000], rtol=1e-12)


def test_a_linear_axis_is_read_straight():
    given, place = graph(log=(True, False))
    read = trace(given, [place(100, 480), place(400, 280)])
    np.testing.assert_allclose(read.value, [10, 505], rtol=1e-12)  # analytic: half way


@pytest.mark.parametrize("dark", [False, True])
def test_points_traced_on_a_rendered_graph_lie_within_a_pixel_of_the_truth(dark):
    """Marks and curve are found in the pixels of the picture itself, rounded to whole ones like clicks."""
    frequency = np.geomspace(1e4, 1e8, 400)
    picture, marks = rendered(frequency, relaxation(frequency), dark)
    given = Graph(
        GraphAxis(Mark(*marks["x1"], 1e5), Mark(*marks["x2"], 1e7), logarithmic=True),
        GraphAxis(Mark(*marks["y1"], 10.0), Mark(*marks["y2"], 1000.0), logarithmic=True),
    )
    clicks = curve_pixels(picture)
    assert len(clicks) > 20
    read = trace(given, clicks)
    pixel_x = math.log(100) / (marks["x2"][0] - marks["x1"][0])  # ln f in one pixel
    pixel_y = math.log(100) / (marks["y1"][1] - marks["y2"][1])
    off = np.log(read.value / relaxation(read.frequency_hz)) / pixel_y
    # where the curve is steep a pixel beside it is many above it: the distance is taken across the curve
    step = 1e-4
    slope = np.log(relaxation(read.frequency_hz * (1 + step)) / relaxation(read.frequency_hz)) / step
    across = np.abs(off) / np.hypot(1, slope * pixel_x / pixel_y)
    assert across.max() < 1.0  # the target of the design: one pixel


def rendered(frequency, value, dark):
    """Draw a graph like a printed one, its curve red and a blue dot on each mark of the axes."""
    figure = Figure(figsize=(8, 5), dpi=100, facecolor="black" if dark else "white")
    panel = figure.add_axes((0.1, 0.12, 0.85, 0.8), facecolor="black" if dark else "white")
    panel.loglog(frequency, value, color="#ff0000", linewidth=1.5)
    panel.set_xlim(1e4, 1e8)
    panel.set_ylim(1, 2000)
    panel.grid(visible=True, which="both", color="#808080", linewidth=0.4)
    dots = {"x1": (1e5, 1), "x2": (1e7, 1), "y1": (1e4, 10), "y2": (1e4, 1000)}
    for x, y in dots.values():
        panel.plot([x], [y], "o", color="#0000ff", markersize=5, clip_on=False, zorder=9)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", facecolor=figure.get_facecolor())
    picture = np.asarray(PIL.open(buffer).convert("RGB")).astype(int)
    blue = (picture[:, :, 2] > 200) & (picture[:, :, 0] < 60) & (picture[:, :, 1] < 60)
    return picture, dict(zip(("y2", "y1", "x1", "x2"), dot_centres(blue), strict=True))


def dot_centres(mask):
    """Return the centres of the four dots, the left ones from above, then those along the bottom."""
    places = [tuple(place) for place in np.argwhere(mask)]
    groups = []
    for place in places:
        near = [g for g in groups if math.dist(np.mean(g, axis=0), place) < 12]
        near[0].append(place) if near else groups.append([place])
    centres = [tuple(np.round(np.mean(g, axis=0)).astype(int)[::-1].tolist()) for g in groups]
    left = sorted((c for c in centres if c[0] < 120), key=lambda c: c[1])
    return [*left, *sorted(c for c in centres if c[0] >= 120)]


def curve_pixels(picture):
    """Return a click in every twentieth column, in the middle of what is red there."""
    red = (picture[:, :, 0] > 180) & (picture[:, :, 1] < 90) & (picture[:, :, 2] < 90)
    clicks = []
    for column in range(90, 750, 20):
        rows = np.flatnonzero(red[:, column])
        if rows.size:
            clicks.append((float(column), float(round(rows.mean()))))
    return clicks


def test_the_uncertainty_is_that_of_many_clicks():
    """Analytic propagation against Monte Carlo over all five clicks that a point depends on."""
    given, place = graph(click_px=1.5, turn=0.1)
    points = [place(150, 200), place(300, 220), place(450, 300), place(600, 420)]
    read = trace(given, points)
    rng = np.random.default_rng(7)
    values = []
    for _ in range(1500):
        moved = [m for axis in (given.horizontal, given.vertical) for m in (axis.first, axis.second)]
        jitter = rng.normal(0, 1.5, (8, 2))
        marks = [Mark(m.x_px + dx, m.y_px + dy, m.value) for m, (dx, dy) in zip(moved, jitter, strict=False)]
        shaken = Graph(GraphAxis(marks[0], marks[1], True), GraphAxis(marks[2], marks[3], True), 1.5)
        clicked = [(x + dx, y + dy) for (x, y), (dx, dy) in zip(points, jitter[4:], strict=True)]
        again = trace(shaken, clicked)
        # the value at the frequency that was meant: along the line through the points as first clicked
        slope = np.gradient(np.log(read.value), np.log(read.frequency_hz))
        values.append(np.log(again.value) - slope * np.log(again.frequency_hz / read.frequency_hz))
    spread = np.std(values, axis=0)
    # computed: 1500 trials know a standard deviation to 1.8 %; four times that
    np.testing.assert_allclose(read.u_value / read.value, spread, rtol=0.075)


def axis(x1=100, x2=700, low=1e3, high=1e6, log=True):
    return GraphAxis(Mark(x1, 500, low), Mark(x2, 500, high), log)


@pytest.mark.parametrize(
    ("horizontal", "what"),
    [
        (axis(x2=110), "too close"),
        (axis(high=1e3), "one value"),
        (axis(low=0.0), "positive values only"),
        (axis(x2=math.nan), "not finite"),
        (GraphAxis(Mark(100, 80, 1e3), Mark(100, 480, 1e6), True), "nearly parallel"),
    ],
)
def test_axes_that_say_nothing_are_refused(horizontal, what):
    with pytest.raises(InputError, match=what):
        trace(Graph(horizontal, graph()[0].vertical), [(150, 200), (300, 220)])


@pytest.mark.parametrize(
    ("points", "what"),
    [
        ([(150, 200)], "two points"),
        ([(150, 200), (150, 300)], "same frequency"),
        ([(150, 200), (math.inf, 300)], "not a place"),
    ],
)
def test_points_that_are_no_curve_are_refused(points, what):
    with pytest.raises(InputError, match=what):
        trace(graph()[0], points)


def test_a_point_left_of_zero_on_a_linear_frequency_axis_is_refused():
    horizontal = axis(low=0.0, high=1e6, log=False)
    with pytest.raises(InputError, match="no positive frequency"):
        trace(Graph(horizontal, graph()[0].vertical), [(90, 200), (300, 220)])
