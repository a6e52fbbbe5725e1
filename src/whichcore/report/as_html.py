"""A report as one HTML page that needs nothing else: no script, no network, pictures inside."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from whichcore.report.document import Picture, Points, Report, Sheet, Words
from whichcore.wording import bound, printable

#: A width that still reads well on a phone; a wide page shows it larger.
WIDTH_IN = 4.6


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture as two addresses that hold it whole, for a light and for a dark page."""

    light: str
    dark: str


def html(report: Report) -> bytes:
    """Return the page; equal reports give equal bytes."""
    page = _template().render(report=report, drawn=_drawn, kind=_kind)
    return page.encode()


@cache
def _template() -> Template:
    # what comes out of a file is text and never markup, and cannot turn the line about
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_shown,
    )
    return environment.from_string(files("whichcore.report").joinpath("page.html").read_text("utf-8"))


def _shown(value: object) -> object:
    """Take out of plain text what steers, and bind numbers; what a macro made is marked and done already."""
    return bound(printable(value)) if isinstance(value, str) and not isinstance(value, Markup) else value


def _kind(block: object) -> str:
    return {Words: "words", Points: "points", Sheet: "sheet", Picture: "picture"}[type(block)]


def _drawn(picture: Picture) -> Drawn:
    from whichcore import figures  # noqa: PLC0415 - matplotlib is loaded only when a picture is wanted

    light, dark = (
        base64.b64encode(figures.rendered(picture.draw(dark, WIDTH_IN), "svg")).decode()
        for dark in (False, True)
    )
    start = "data:image/svg+xml;base64,"
    return Drawn(start + light, start + dark)
