"""A report as a PDF on A4, with real text in a font of its own and pictures as drawings."""

from __future__ import annotations

import io
import logging
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime

from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace, TTFFont

from whichcore.report.document import Block, Picture, Points, Report, Section, Sheet, Words
from whichcore.wording import bound, printable

_FONT = "DejaVu"
_MARGIN_MM, _FOOT_MM = 18.0, 18.0
_LINE = 1.45  # height of a line over the size of its letters
_MM_PER_POINT = 25.4 / 72
_PICTURE_MM = 135.0
_DRAWN_IN = 6.6
_CELL_MM = 2.4  # of a cell, both sides together
_LEAST_MM = 9.0
_HEAD_LENGTH = 80
_HEADING_MM = 14.0
_TALLEST_MM = 150.0  # of a picture with its legend, about
_CELL_SIZE = 8.0
_WHOLE = 20  # rows of a table that is not broken across pages
_MISSING = "\ufffd"
_WARN, _QUIET, _RULE = (138, 56, 0), (89, 89, 89), (170, 170, 170)


def pdf(report: Report) -> bytes:
    """Return the PDF; equal reports give equal bytes."""
    sheet = _Pages(report)
    sheet.add_page()
    sheet.opening(report)
    for section in report.sections:
        sheet.heading(section)
        for block in section.blocks:
            sheet.block(block)
    sheet.note_missing()
    with _quiet():
        return bytes(sheet.output())


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the writer's remarks on what it leaves out of a drawing or font off the screen."""
    log = logging.getLogger("fpdf")
    before, log.disabled = log.level, log.disabled
    log.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        log.setLevel(before)


class _Pages(FPDF):
    """A4 pages with a running head and page numbers."""

    def __init__(self, report: Report) -> None:
        from whichcore.figures import font_files  # noqa: PLC0415 - comes with matplotlib

        super().__init__(orientation="portrait", unit="mm", format="A4")
        with _quiet():
            for style, path in zip(("", "B"), font_files(), strict=True):
                self.add_font(_FONT, style, path)
        self._missing: set[str] = set()
        self._running = self._clean(report.title)[:_HEAD_LENGTH]
        self.set_margins(_MARGIN_MM, _MARGIN_MM, _MARGIN_MM)
        self.set_auto_page_break(auto=True, margin=_FOOT_MM)
        self.set_lang("en")
        self.set_title(f"{self._running}: report of one core")
        self.set_creator("whichcore")
        self.set_producer("whichcore")
        self.set_creation_date(datetime.fromisoformat(report.judged_at))
        self._face(9)

    # --- around the page --------------------------------------------------------------------------

    def header(self) -> None:
        """Print the running head from the second page on."""
        if self.page_no() > 1:
            self._face(8)
            self.set_text_color(*_QUIET)
            self.cell(0, 5, self._running, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
            self.ln(3)
            self.set_text_color(0)

    def footer(self) -> None:
        """Print the number of the page and of all pages."""
        self.set_y(-12)
        self._face(8)
        self.set_text_color(*_QUIET)
        self.cell(0, 5, f"page {self.page_no()} of {{nb}}", align="R")
        self.set_text_color(0)

    # --- blocks -----------------------------------------------------------------------------------

    def opening(self, report: Report) -> None:
        """Print the name, the warnings, the answer, and when it was given."""
        self._text(report.title, 17, bold=True)
        self.ln(2)
        if report.warnings:
            self.set_text_color(*_WARN)
            self._text("Warnings", 11, bold=True)
            for text in report.warnings:
                self._point(text)
            self.set_text_color(0)
        else:
            self._text("No warnings.", 9)
        self.ln(3)
        self._text(report.answer, 12, bold=True)
        self._text(report.made, 9)

    def heading(self, section: Section) -> None:
        """Print a heading; never as the last thing on a page."""
        if self.will_page_break(_HEADING_MM + _together_mm(section.blocks[0])):
            self.add_page()
        text = section.heading
        self.ln(4)
        self.start_section(self._clean(text))
        self._text(text, 12.5, bold=True)
        self.ln(1)

    def block(self, block: Block) -> None:
        """Print whatever it is."""
        match block:
            case Words():
                self._text(block.text, 9)
            case Points():
                for item in block.items:
                    self._point(item)
            case Sheet():
                self._sheet(block)
            case Picture():
                self._picture(block)
        self.ln(1.5)

    def _picture(self, picture: Picture) -> None:
        from whichcore import figures  # noqa: PLC0415 - matplotlib is loaded only when a picture is wanted

        figure = picture.draw(False, _DRAWN_IN)
        width, height = figure.get_size_inches()
        tall = _PICTURE_MM * height / width
        if self.will_page_break(tall + 8):
            self.add_page()
        drawing = figures.rendered(figure, "svg", outlines=True)
        if b"<pattern" in drawing:
            # the writer knows no hatches
            drawing = figures.rendered(figure, "png", dpi=200)
        with _quiet():
            self.image(
                io.BytesIO(drawing), x=self.l_margin, w=_PICTURE_MM, h=tall, alt_text=self._clean(picture.alt)
            )
        self.ln(1)
        self.set_text_color(*_QUIET)
        self._text(picture.alt, 8)
        self.set_text_color(0)
        self.ln(1)
        self._sheet(picture.values)

    def _sheet(self, sheet: Sheet) -> None:
        cells = [[self._clean(cell) for cell in row] for row in (sheet.heads, *sheet.rows)]
        height = _CELL_SIZE * _MM_PER_POINT * _LINE
        if self.will_page_break(_together_mm(sheet)):
            self.add_page()
        self.set_text_color(*_QUIET)
        self._text(sheet.title, 8)
        self.set_text_color(0)
        self._face(_CELL_SIZE)
        align = tuple("RIGHT" if head in sheet.numbers else "LEFT" for head in sheet.heads)
        widths = self._widths(cells)
        self.set_draw_color(*_RULE)
        self.set_line_width(0.1)
        with self.table(
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            col_widths=widths,
            width=sum(widths),
            align="LEFT",
            text_align=align,
            line_height=height,
            padding=(0.3, _CELL_MM / 2, 0.3, _CELL_MM / 2),
            headings_style=FontFace(emphasis="BOLD"),
            gutter_height=0,
        ) as table:
            for row in cells:
                table.row(row)

    def _widths(self, cells: Sequence[Sequence[str]]) -> tuple[float, ...]:
        """Return column widths in mm: as wide as the text, the widest columns cut down until all fit.

        A word is broken only where not even the longest words of all columns fit beside each other.
        """
        columns = list(zip(*cells, strict=True))
        natural, words = [_LEAST_MM] * len(columns), [0.0] * len(columns)
        for bold, rows in ((True, slice(0, 1)), (False, slice(1, None))):
            self._face(_CELL_SIZE, bold=bold)
            for at, column in enumerate(columns):
                for cell in column[rows]:
                    natural[at] = max(natural[at], self.get_string_width(cell) + _CELL_MM + 0.5)
                    # no line ends at a space that binds a number
                    words[at] = max(words[at], *map(self.get_string_width, re.split(r"[ \n]+", cell)))
        least = [max(word + _CELL_MM + 0.5, _LEAST_MM) for word in words]
        if sum(least) > self.epw:
            least = [_LEAST_MM] * len(columns)
        low, high = 0.0, max(natural)
        for _ in range(40):
            cap = (low + high) / 2
            if sum(_cut(natural, least, cap)) > self.epw:
                high = cap
            else:
                low = cap
        return tuple(_cut(natural, least, high if sum(natural) <= self.epw else low))

    # --- text -------------------------------------------------------------------------------------

    def _face(self, size: float, *, bold: bool = False) -> None:
        self.set_font(_FONT, "B" if bold else "", size)

    def _text(self, text: str, size: float, *, bold: bool = False) -> None:
        self._face(size, bold=bold)
        self.multi_cell(
            0, size * _MM_PER_POINT * _LINE, self._clean(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )

    def _point(self, text: str) -> None:
        self._face(9)
        height = 9 * _MM_PER_POINT * _LINE
        if self.will_page_break(height):
            self.add_page()
            self._face(9)
        self.cell(4, height, "•")
        left = self.l_margin
        self.set_left_margin(left + 4)
        self.multi_cell(0, height, self._clean(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.set_left_margin(left)
        self.set_x(left)
        self.ln(0.6)

    def _clean(self, text: str) -> str:
        """Take out what steers, bind numbers, and replace what the font has no sign for; that is counted."""
        font = self.fonts[_FONT.lower()]
        known = font.cmap if isinstance(font, TTFFont) else {}
        missing = {
            sign for sign in text if sign not in "\n " and ord(sign) not in known and sign.isprintable()
        }
        self._missing |= missing
        return "".join(_MISSING if sign in missing else sign for sign in bound(printable(text)))

    def note_missing(self) -> None:
        """Say which signs could not be printed."""
        if self._missing:
            self.ln(2)
            codes = ", ".join(f"U+{ord(sign):04X}" for sign in sorted(self._missing)[:20])
            self._text(f"Signs the font of this file lacks, printed as {_MISSING}: {codes}.", 8)


def _together_mm(block: Block) -> float:
    """Return about how much of a block is kept on one page."""
    match block:
        case Sheet():
            rows = len(block.rows) + 1
            shown = rows if rows <= _WHOLE else 3
            return (shown + 1) * (_CELL_SIZE * _MM_PER_POINT * _LINE + 0.6)
        case Picture():
            return _TALLEST_MM
    return 10.0


def _cut(natural: Sequence[float], least: Sequence[float], cap: float) -> list[float]:
    """Return widths no wider than ``cap``, but where the least is wider."""
    return [min(width, max(cap, small)) for width, small in zip(natural, least, strict=True)]
