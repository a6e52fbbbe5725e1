"""The font of the pictures, for whatever else has to print the trade's signs (μ′, Ω, ±, °)."""

from __future__ import annotations

from pathlib import Path

import matplotlib as mpl


def font_files() -> tuple[Path, Path]:
    """Return the files of the upright and of the bold face; they come with the drawing library."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    return folder / "DejaVuSans.ttf", folder / "DejaVuSans-Bold.ttf"
