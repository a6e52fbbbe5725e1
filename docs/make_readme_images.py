"""Draw the pictures of the pages: a result of the demonstration, the chain, and a budget over frequency.

Run ``python docs/make_readme_images.py`` after a change of the identification, the figures or this drawing. A
test compares what the pictures say with what the program says.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from xml.sax.saxutils import escape

from whichcore import figures
from whichcore.analysis.budget import budget_at
from whichcore.analysis.functional import MU_IMAG, real_curve
from whichcore.analysis.permeability import permeability
from whichcore.figures.style import DARK, LIGHT, Theme
from whichcore.files import load_specimen, load_sweep
from whichcore.libraries import load_library
from whichcore.workflow import demo_bins, demo_library, identify_files

IMAGES = Path(__file__).resolve().parent / "images"
BIN = "d"
BUDGET_BIN, BUDGET_HZ = "a", 97e3
WIDTH, HEIGHT = 760, 330
FONT = 'font-family="sans-serif" font-size="13"'


def main() -> None:
    """Write every picture for a light and for a dark page."""
    item = next(item for item in demo_bins() if item.id == BIN)
    case = identify_files(item.request, load_library(demo_library(), "shipped"))
    spectrum = case.verdict.spectrum
    assert spectrum is not None  # noqa: S101 - the bin has a sweep
    for suffix, dark in (("", False), ("-dark", True)):
        figure = figures.permeability_figure(spectrum, case.verdict, case.names, item.title, dark=dark)
        figures.save(figure, IMAGES / f"result{suffix}", ("svg",))
        drawing = "\n".join(chain(DARK if dark else LIGHT))
        (IMAGES / f"chain{suffix}.svg").write_text(drawing + "\n", encoding="utf-8", newline="\n")
        _draw_budget(suffix, dark)


def _draw_budget(suffix: str, dark: bool) -> None:
    """Draw the budget of μ″ of one bin, over frequency and at one of them."""
    item = next(item for item in demo_bins() if item.id == BUDGET_BIN)
    assert item.request.sweep is not None  # noqa: S101 - the bin has a sweep
    spectrum = permeability(load_sweep(item.request.sweep), load_specimen(item.request.specimen))
    curve = real_curve(MU_IMAG, spectrum)
    title = f"{item.title}, μ″"
    shares = figures.shares_figure(curve, title, dark=dark)
    figures.save(shares, IMAGES / f"budget-shares{suffix}", ("svg",))
    bars = figures.bars_figure(budget_at(curve, BUDGET_HZ), item.title, dark=dark)
    figures.save(bars, IMAGES / f"budget-bars{suffix}", ("svg",))


# --- the chain ----------------------------------------------------------------------------------------------


def chain(colours: Theme) -> Iterator[str]:
    """Yield the lines of the drawing: the circuit above, the computation below it."""
    yield (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-labelledby="title" {FONT}>'
    )
    yield '<title id="title">From the source to the verdict</title>'
    yield f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{colours.paper}"/>'
    yield f'<g stroke="{colours.ink}" stroke-width="1.5" fill="none">'
    yield from _circuit_lines()
    yield from _computation_lines()
    yield "</g>"
    yield f'<g fill="{colours.ink}" stroke="none">'
    yield from _dots()
    yield from _texts()
    yield "</g>"
    yield "</svg>"


TOP, GROUND = 60, 190
NODE_A, NODE_B = 300, 520
BOXES = (  # x, y, width, height, lines of text
    (20, 95, 130, 60, ("generator or", "sound card")),
    (190, 42, 70, 36, ("pad",)),
    (350, 42, 120, 36, ("wound core",)),
    (485, 100, 70, 50, ("shunt",)),
    (620, 85, 120, 80, ("scope or", "sound card input")),
)
STEPS = ("two voltages", "impedance", "permeability", "candidates", "verdict")
BETWEEN = ("calibration", "winding off", "references")
STEP_WIDTH, STEP_LEFT, STEP_PITCH, STEP_TOP = 104, 14, 157, 260


def _circuit_lines() -> Iterator[str]:
    for x, y, width, height, _ in BOXES:
        yield f'<rect x="{x}" y="{y}" width="{width}" height="{height}" rx="4"/>'
    yield f'<path d="M85 95 V{TOP} H190 M260 {TOP} H350 M470 {TOP} H{NODE_B} V100"/>'
    yield f'<path d="M85 155 V{GROUND} H680 V165 M{NODE_B} 150 V{GROUND}"/>'
    yield f'<path d="M{NODE_A} {TOP} V20 H700 V85 M{NODE_B} {TOP} H650 V85"/>'
    yield f'<path d="M290 {GROUND} v8 M276 {GROUND + 8} h28 M281 {GROUND + 13} h18 M286 {GROUND + 18} h8"/>'


def _computation_lines() -> Iterator[str]:
    for k in range(len(STEPS)):
        x = STEP_LEFT + k * STEP_PITCH
        yield f'<rect x="{x}" y="{STEP_TOP}" width="{STEP_WIDTH}" height="34" rx="4"/>'
    for k in range(len(STEPS) - 1):
        x = STEP_LEFT + k * STEP_PITCH + STEP_WIDTH
        end = STEP_LEFT + (k + 1) * STEP_PITCH
        yield f'<path d="M{x} {STEP_TOP + 17} H{end - 1} m-7 -4 l7 4 l-7 4"/>'


def _dots() -> Iterator[str]:
    for x, y in ((NODE_A, TOP), (NODE_B, TOP), (NODE_B, GROUND), (290, GROUND)):
        yield f'<circle cx="{x}" cy="{y}" r="3.5"/>'


def _texts() -> Iterator[str]:
    for x, y, width, height, lines in BOXES:
        first = y + height / 2 + 4.5 - 8 * (len(lines) - 1)
        for k, line in enumerate(lines):
            yield _text(x + width / 2, first + 16 * k, line)
    yield _text(NODE_A - 9, TOP + 18, "A")
    yield _text(NODE_B - 14, TOP + 18, "B")
    yield _text(709, 50, "A", anchor="start")
    yield _text(659, 78, "B", anchor="start")
    yield _text(STEP_LEFT, 243, "what is computed, each with its uncertainty", anchor="start")
    for k, text in enumerate(STEPS):
        yield _text(STEP_LEFT + k * STEP_PITCH + STEP_WIDTH / 2, STEP_TOP + 21.5, text)
    for k, text in enumerate(BETWEEN):
        yield _text(STEP_LEFT + (k + 1) * STEP_PITCH, STEP_TOP + 53, text)


def _text(x: float, y: float, text: str, anchor: str = "middle") -> str:
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}">{escape(text)}</text>'


if __name__ == "__main__":
    main()
