"""What all drawings have in common: colours, letters, and the SVG they end in."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from xml.sax.saxutils import escape

import schemdraw
import schemdraw.elements as elm

from whichcore.figures.style import BLUE, DARK, ORANGE, Theme

FONT_PT = 15
LINE_PT = 18
MARGIN_PT = 6
UNIT_PT = 36
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing: file name, title, what it shows in words, and the function that draws it."""

    name: str
    title: str
    words: str
    draw: Callable[[Sheet], None]


@dataclass(frozen=True, slots=True)
class Text:
    """A line of text; ``x``, ``y`` is the middle of its height, in points, y downwards."""

    x: float
    y: float
    words: str
    align: str
    colour: str

    def svg(self) -> str:
        """Return it as an element."""
        anchor = {"left": "start", "center": "middle", "right": "end"}[self.align]
        at = f'x="{_plain(self.x)}" y="{_plain(self.y + 0.35 * FONT_PT)}"'
        return f'<text {at} text-anchor="{anchor}" fill="{self.colour}">{escape(self.words)}</text>'

    def ink(self) -> tuple[float, float, float, float]:
        """Return left, top, right and bottom of it; letters are taken as 0.66 of the size wide."""
        width = 0.66 * FONT_PT * len(self.words)
        left = self.x - {"left": 0.0, "center": width / 2, "right": width}[self.align]
        return left, self.y - LINE_PT / 2, left + width, self.y + LINE_PT / 2

    def box(self) -> tuple[float, float, float, float]:
        """Return left, top, right and bottom of it, with a margin."""
        left, top, right, bottom = self.ink()
        return left - MARGIN_PT, top - MARGIN_PT / 2, right + MARGIN_PT, bottom + MARGIN_PT / 2


class Sheet:
    """A drawing in the making, in units of half an inch; y grows upwards."""

    def __init__(self, colours: Theme) -> None:
        schemdraw.use("svg")
        self._texts: list[Text] = []
        self.colours = colours
        self.accent = ORANGE if colours == DARK else BLUE
        self.drawing = schemdraw.Drawing(
            show=False, color=colours.ink, bgcolor=colours.paper, fontsize=FONT_PT, font="sans-serif", lw=1.5,
            margin=0.25,
        )  # fmt: skip

    def line(self, *points: Point, accent: bool = False, dashed: bool = False) -> None:
        """Draw straight lines from point to point."""
        for start, end in pairwise(points):
            item = elm.Line().at(start).to(end)
            if accent:
                item = item.color(self.accent).linewidth(3)
            self.drawing.add(item.linestyle("--") if dashed else item)

    def part(self, element: elm.Element2Term, start: Point, end: Point) -> elm.Element2Term:
        """Place a part of two terminals between two points."""
        return self.drawing.add(element.at(start).to(end))

    def dot(self, at: Point) -> None:
        """Join the lines that meet here."""
        self.drawing.add(elm.Dot().at(at))

    def terminal(self, at: Point) -> None:
        """Draw a terminal that something is fitted to."""
        self.drawing.add(elm.Dot(open=True).at(at))

    def earth(self, at: Point) -> None:
        """Draw the sign for earth."""
        self.drawing.add(elm.Ground().at(at))

    def common(self, at: Point) -> None:
        """Draw the sign for a common node that need not be earth."""
        self.drawing.add(elm.GroundSignal().at(at))

    def box(self, corner: Point, opposite: Point, *, solid: bool = False) -> None:
        """Draw a box, an instrument, or with ``solid`` a body."""
        fill = self.colours.grid if solid else self.colours.paper
        self.drawing.add(elm.Rect(corner1=corner, corner2=opposite, fill=fill).at((0, 0)).theta(0))

    def text(self, at: Point, text: str, *, align: str = "center", accent: bool = False) -> None:
        """Write lines of text around a point; ``align`` is left, center or right."""
        lines = text.split("\n")
        x, middle = at[0] * UNIT_PT, -at[1] * UNIT_PT
        for k, line in enumerate(lines):
            y = middle + LINE_PT * (k - (len(lines) - 1) / 2)
            self._texts.append(Text(x, y, line, align, self.accent if accent else self.colours.ink))

    def svg(self, picture: Picture) -> str:
        """Return the drawing as text; numbers with two decimals, so that every machine writes the same."""
        text = self.drawing.get_imagedata("svg").decode("utf-8")
        head, _, rest = text.partition(">")
        body = rest.replace("stroke-dasharray:-;", "").replace("/><", "/>\n<").removesuffix("</svg>")
        found = re.search(r'viewBox="(\S+) (\S+) (\S+) (\S+)"', head)
        if found is None:
            raise ValueError("the drawing has no viewBox")
        left, top, right, bottom = self._frame(*map(float, found.groups()))
        size = f"{right - left:.2f}", f"{bottom - top:.2f}"
        lines = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{left:.2f} {top:.2f} {size[0]} {size[1]}" '
            'role="img" aria-labelledby="title words">',
            f'<title id="title">{escape(picture.title)}</title>',
            f'<desc id="words">{escape(picture.words)}</desc>',
            f'<rect x="{left:.2f}" y="{top:.2f}" width="{size[0]}" height="{size[1]}" '
            f'fill="{self.colours.paper}"/>',
            re.sub(r"-?\d+\.\d+", _short, body),
            f'<g font-family="sans-serif" font-size="{FONT_PT}">',
            *(item.svg() for item in self._texts),
            "</g>",
            "</svg>",
        )
        return "\n".join(lines) + "\n"

    def _frame(self, x: float, y: float, width: float, height: float) -> tuple[float, float, float, float]:
        """Return left, top, right and bottom of all that is drawn and written."""
        boxes = [(x, y, x + width, y + height), *(item.box() for item in self._texts)]
        low, high = (tuple(choose(box[k] for box in boxes) for k in range(4)) for choose in (min, max))
        return low[0], low[1], high[2], high[3]


def _short(found: re.Match[str]) -> str:
    return _plain(float(found[0]))


def _plain(number: float) -> str:
    """Return a number with two decimals at most, and no negative zero."""
    return f"{round(number, 2) + 0:g}"
