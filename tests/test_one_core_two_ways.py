"""One core of the virtual bench, saved as files and read off its screen: both true, both alike.

The circuits of the bench make the records; what the list and the sheet state is what labels say.
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from whichcore.analysis.flux_density import inner_edge_factor
from whichcore.analysis.permeability import permeability
from whichcore.analysis.uncertainty import point_covariance
from whichcore.rig.virtual import WoundCore, core

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"
GRID = (5e4, 1e5, 2e5, 5e5)
FLUX_T = 0.5e-3


def _load(name):
    spec = importlib.util.spec_from_file_location(name, BENCHMARKS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


bench, screen = _load("in_process_bench"), _load("screen_path")


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    item = WoundCore(core("bin-h"), 10)
    folders = {name: tmp_path_factory.mktemp(name) for name in ("files", "hand")}
    ways = {"files": screen.through_files, "hand": screen.by_hand}
    return folders, item, {name: ways[name](item, GRID, FLUX_T, folders[name]) for name in ways}


def spectrum_of(measured, name):
    """Return μ, its standard uncertainties and the flux density averaged over the section."""
    _, _, found = measured
    specimen, sweep = found[name]
    spectrum = permeability(sweep, specimen)
    covariance = point_covariance(spectrum.scatter, spectrum.sources)
    u = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    return spectrum.permeability, u, sweep.flux_density_t / inner_edge_factor(specimen)


@pytest.mark.soak
@pytest.mark.parametrize("name", ["files", "hand"])
def test_permeability_is_true_within_what_is_stated(measured, name):
    mu, u, flux = spectrum_of(measured, name)
    truth = np.array(
        [bench.true_permeability(measured[1], f, b[None])[0] for f, b in zip(GRID, flux, strict=True)]
    )
    scores = np.stack([(mu - truth).real, (mu - truth).imag], axis=1) / u
    assert np.abs(scores).max() < 2.6, scores
    # a wide statement would prove nothing (practice)
    assert np.median(u / np.abs(mu)[:, None]) < {"files": 0.05, "hand": 0.15}[name]


@pytest.mark.soak
def test_both_ways_agree(measured):
    (one, u_one, _), (two, u_two, _) = (spectrum_of(measured, name) for name in ("files", "hand"))
    apart = np.stack([(one - two).real, (one - two).imag], axis=1) / np.hypot(u_one, u_two)
    assert np.abs(apart).max() < 2.6, apart


@pytest.mark.soak
def test_the_files_lead_to_a_verdict(measured):
    folder = measured[0]["files"]
    found = screen.run("identify", "--specimen", folder / "card.toml", "--sweep", folder / "sweep.csv")
    assert "MnZn" in found
