"""Draw the picture of docs/how-to/fit-a-model.md: laws of dispersion over a tape core of the demonstration.

Run ``python docs/make_fit_image.py`` after a change of the fit or of its figure; a test compares what the
picture says with what the program says.
"""

from __future__ import annotations

from pathlib import Path

from whichcore import figures
from whichcore.analysis.dispersion_models import LAWS
from whichcore.analysis.model_comparison import compare_laws
from whichcore.analysis.model_search import Nuisance
from whichcore.analysis.permeability import permeability
from whichcore.files import load_specimen, load_sweep
from whichcore.workflow import demo_folder

IMAGES = Path(__file__).resolve().parent / "images"


def main() -> None:
    """Draw it for a light and for a dark page."""
    folder = demo_folder()
    spectrum = permeability(load_sweep(folder / "bin-e.csv"), load_specimen(folder / "bin-e.toml"))
    found = compare_laws(spectrum, list(LAWS.values()), Nuisance())
    for name, dark in (("fit-tape", False), ("fit-tape-dark", True)):
        figure = figures.fit_figure(spectrum, found.fits, "bin-e", dark=dark)
        figures.save(figure, IMAGES / name, ("svg",))


if __name__ == "__main__":
    main()
