"""The open alternative: its family, its parts, its classes."""

from dataclasses import replace

import numpy as np
import pytest

from identification import relaxation, ring, wound
from whichcore import identify
from whichcore.analysis.materials import Library, MaterialClass
from whichcore.analysis.observation import log_reluctivity, observe
from whichcore.analysis.reach import Pattern, whole
from whichcore.analysis.types import PermeabilitySpectrum
from whichcore.analysis.unlisted import (
    SHAPES,
    SMALL_LOSS,
    OpenAlternative,
    family,
    rows_of_family,
    small_loss_columns,
)
from whichcore.open_collection import open_collection

FREQUENCY = np.geomspace(1e3, 3e6, 60)


def observed(mu, noise=0.01, seed=1):
    rng = np.random.default_rng(seed)
    seen = mu + noise * np.abs(mu) * (rng.normal(size=mu.size) + 1j * rng.normal(size=mu.size))
    scatter = (noise * np.abs(mu))[:, None, None] ** 2 * np.eye(2)
    return observe(PermeabilitySpectrum(FREQUENCY, seen, scatter), [])


def test_every_shape_is_a_passive_low_pass():
    x = np.geomspace(1e-6, 1e3, 300)
    for name, law in SHAPES.items():
        value = law(x)
        # analytic: one at rest (the slowest shape goes as x^0.75), no negative loss anywhere, zero far beyond
        assert value[0] == pytest.approx(1, abs=1e-3), name
        assert np.all(value.imag <= 1e-12), name
        assert abs(value[-1]) < 0.05, name


def test_the_prior_is_a_probability_and_knows_the_classes():
    members = family()
    weight = np.exp(members.log_weight)
    assert weight.sum() == pytest.approx(1)
    assert {MaterialClass(name) for name in members.classes} == set(MaterialClass)
    nickel = weight[members.classes.index("NiZn")]
    assert (nickel * members.level).sum() / nickel.sum() < 1500
    ribbon = weight[members.classes.index("nanocrystalline")]
    assert ribbon[members.level < 1000].sum() < 1e-3 * ribbon.sum()


def test_parts_of_the_data_are_worth_less_than_all_and_none_is_worth_nothing():
    observation = observed(relaxation(2000, 2e6, FREQUENCY))
    half, none = Pattern(0, 30, ()), Pattern(0, 0, ())
    alternative = OpenAlternative(observation, [half, none])
    everything = alternative.log_evidence(whole(observation))
    assert alternative.log_evidence(none) == 0
    # analytic: the log-density of 30 whitened points of two rows is near −30 when they are foreseen
    assert -60 < everything - alternative.log_evidence(half) < -20


def test_a_spectrum_of_the_family_is_likelier_than_nonsense():
    good = observed(relaxation(2000, 2e6, FREQUENCY))
    bad = observed(2000 * np.exp(0.8 * np.sin(3 * np.log(FREQUENCY))) * (1 - 0.05j))
    values = [OpenAlternative(o, []).log_evidence(whole(o)) for o in (good, bad)]
    assert values[0] > values[1] + 50


def ribbon(level, corner):
    """Classical eddy currents in a ribbon: tanh(x)/x, x = (1 + j)√(f/corner)."""
    x = (1 + 1j) * np.sqrt(FREQUENCY / corner)
    return level * np.tanh(x) / x


@pytest.mark.parametrize(
    ("mu", "likely"),
    [
        (ribbon(30000, 5e4), {"nanocrystalline", "amorphous"}),
        (relaxation(12, 4e8, FREQUENCY), {"carbonyl-powder", "NiZn", "alloy-powder"}),
        (relaxation(2300, 1.8e6, FREQUENCY), {"MnZn", "NiZn"}),
    ],
)
def test_level_and_shape_speak_for_their_classes(mu, likely):
    classes = OpenAlternative(observed(mu), []).classes
    assert sum(classes.values()) == pytest.approx(1)
    assert sum(classes[name] for name in likely) > 0.6


def steep(mu, power=2.0, corner=0.5e6):
    """A spectrum whose small loss falls faster below the dispersion than that of a relaxation."""
    x = FREQUENCY / corner
    return mu.real + 1j * mu.imag * x**power / (1 + x**power)


def test_the_small_loss_is_free_below_the_dispersion_and_nowhere_else():
    mu = relaxation(2000, 2e6, FREQUENCY)
    columns = small_loss_columns(observed(mu, noise=1e-6))
    size = np.sqrt(np.square(columns).sum(axis=2))
    low, high = FREQUENCY < 1e5, FREQUENCY > 1e6
    assert (size[:, 0] == 0).all()
    assert (size[high, 1] == 0).all()
    # analytic: a relaxation loses by the angle arctan(f/fc); smoothed white noise has a variance of one
    assert size[low, 1] == pytest.approx(SMALL_LOSS * FREQUENCY[low] / 2e6, rel=0.1)
    lossless = small_loss_columns(observed(steep(mu), noise=1e-6))
    # the relaxation that a later point shows is remembered, however small the angle itself
    assert np.sqrt(np.square(lossless).sum(axis=2))[0, 1] > 0.5 * size[0, 1]


def test_a_loss_that_falls_faster_than_a_relaxation_is_foreseen():
    """What is seen above 100 kHz tells what is below it about as well for one as for the other."""
    mu = relaxation(2000, 2e6, FREQUENCY)
    worth = []
    for spectrum in (mu, steep(mu)):
        observation = observed(spectrum)
        above = Pattern(int((FREQUENCY < 1e5).sum()), FREQUENCY.size, ())
        alternative = OpenAlternative(observation, [above])
        worth.append(alternative.log_evidence(whole(observation)) - alternative.log_evidence(above))
    assert worth[1] == pytest.approx(worth[0], abs=4)


def test_a_curve_that_begins_late_is_not_beaten_by_one_that_speaks_throughout():
    """Open curves: one begins at 100 kHz, and the core is of it; the other, of like shape, begins lower."""
    known = {material.id: material for material in open_collection().materials}
    own, others = known["open-ferroxcube-3c94"], ("open-acme-p41", "open-tdk-n87", "open-tdk-n27")
    x, at = np.log(own.frequency_hz), np.log(FREQUENCY)
    loss = np.interp(at, x, -own.permeability.imag) * np.exp(np.minimum(at - x[0], 0))
    mu = 1.1 * (np.interp(at, x, own.permeability.real) - 1j * loss)
    library = Library((own, *(known[name] for name in others)))
    verdict = identify(ring(), sweep=wound(mu, FREQUENCY, seed=2), library=library)
    first, second = verdict.candidates[:2]
    assert first.material == own.id
    assert first.probability > 100 * second.probability


def test_the_family_kept_for_the_next_sweep_is_that_of_its_own_frequencies():
    mu = relaxation(2000, 2e6, FREQUENCY)
    first = observed(mu)
    moved = replace(first, frequency_hz=1.1 * first.frequency_hz)
    other = replace(first, log_reluctivity=first.log_reluctivity + 0.1)
    step = 0.02
    for observation in (first, moved, other):
        rows = rows_of_family(observation)
        shown, above, below = (
            log_reluctivity(family().permeability(observation.frequency_hz * factor))
            for factor in (1.0, np.exp(-step), np.exp(step))
        )
        assert rows.residual == pytest.approx(observation.log_reluctivity - shown)
        # computed: the difference that the slope over the corner is taken as
        assert rows.slope == pytest.approx((above - below) / (2 * step))
