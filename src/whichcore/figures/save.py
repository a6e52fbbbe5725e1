"""Writing a figure, whole or not at all; equal figures give equal bytes."""

from __future__ import annotations

import io
import warnings
from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from whichcore.errors import InputError
from whichcore.files.text import write_bytes

FORMATS = ("svg", "png")


def save(figure: Figure, stem: Path, formats: Sequence[str] = FORMATS) -> list[Path]:
    """Write a figure next to ``stem``, whole or not at all; equal figures give equal bytes.

    Parameters
    ----------
    figure : Figure
    stem : Path
        Path without the ending.
    formats : sequence of str
        ``svg`` (with real text) and ``png`` (150 dots per inch).

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        An unknown format, or a place that cannot be written.
    """
    for wanted in formats:
        if wanted not in FORMATS:
            raise InputError(
                "unknown picture format", where=str(stem), got=wanted, allowed=", ".join(FORMATS)
            )
    return [_save_one(figure, stem.with_name(f"{stem.name}.{wanted}"), wanted) for wanted in formats]


def _save_one(figure: Figure, path: Path, wanted: str) -> Path:
    write_bytes(path, rendered(figure, wanted))
    return path


def rendered(figure: Figure, wanted: str, *, dpi: int = 150, outlines: bool = False) -> bytes:
    """Return a figure as the bytes of a file; equal figures give equal bytes.

    Parameters
    ----------
    figure : Figure
    wanted : str
        One of ``FORMATS``.
    dpi : int
        Dots per inch of a PNG.
    outlines : bool
        Text of an SVG as outlines, for readers that know no text in it; else as real text.
    """
    metadata = {"Date": None, "Creator": "whichcore"} if wanted == "svg" else {"Software": "whichcore"}
    buffer = io.BytesIO()
    fonts = "path" if outlines else "none"
    with (
        mpl.rc_context({"svg.fonttype": fonts, "svg.hashsalt": "whichcore"}),
        warnings.catch_warnings(),
    ):
        # a name in a script the font lacks stays real text in the SVG
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(buffer, format=wanted, dpi=dpi, metadata=metadata)
    return buffer.getvalue()
