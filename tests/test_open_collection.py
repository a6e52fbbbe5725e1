"""The open collection as installed: what passes, what does not, and what happens when it is missing."""

from __future__ import annotations

import re
from collections import Counter
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest

from whichcore import open_collection as module
from whichcore.analysis.causality import DOUBTFUL_RESIDUAL, check_causality
from whichcore.analysis.materials import Library, MaterialClass
from whichcore.analysis.screening import Reason
from whichcore.errors import LibraryError
from whichcore.open_collection import open_collection, screening_report

PAGE = Path(__file__).resolve().parent.parent / "docs" / "reference" / "open-collection.md"


@pytest.fixture(scope="module")
def library() -> Library:
    return open_collection()


def test_every_curve_is_accounted_for(library):
    # computed: the release holds 218 complex permeabilities
    assert len(library.materials) + len(library.problems) == 218
    assert len({material.id for material in library.materials}) == len(library.materials)
    assert len(screening_report()) == 218


def test_about_a_hundred_pass(library):
    # practice: about a hundred curves of this release are sound; ±15 allows for other, equally sound limits
    assert 85 <= len(library.materials) <= 115


def test_known_faults_are_found():
    rows = screening_report()
    reasons = Counter((row.family, row.reason) for row in rows)
    # computed from the raw curves: one source has its curves one row off its table, so all but a few chance
    # neighbours contradict their own initial permeability
    assert reasons["Fair-Rite", Reason.LABEL] >= 18
    # computed from the raw curves: one source gives all its curves 1.35 times their own table
    assert reasons["Würth Elektronik", Reason.LABEL] == 12
    # computed from the raw curves: μ″ peaks at 0.5 to 11 kHz, of ferrites that have it at MHz, 19 + 1 times
    assert Counter(row.reason for row in rows)[Reason.UNIT] == 20
    # computed from the raw curves: two grades hold the same numbers
    assert Counter(row.reason for row in rows)[Reason.COPY] == 1


@pytest.mark.parametrize("family", ["Fair-Rite", "DMEGC", "Würth Elektronik", "Micrometals"])
def test_untrusted_families_are_refused_whole(family):
    assert all(row.reason is not None for row in screening_report() if row.family == family)


@pytest.mark.parametrize("family", ["TDK", "Ferroxcube", "ACME"])
def test_sound_families_pass_for_the_most_part(family):
    rows = [row for row in screening_report() if row.family == family]
    assert sum(row.reason is None for row in rows) >= 2 / 3 * len(rows)


def test_materials_are_fit_for_use(library):
    for material in library.materials:
        frequency_hz, permeability = material.frequency_hz, material.permeability
        assert material.id.startswith("open-")
        assert re.fullmatch(r"[a-z0-9-]+", material.id)
        assert (np.diff(frequency_hz) > 0).all()
        assert 12 <= frequency_hz.size <= 150
        assert np.isfinite(permeability).all()
        assert (permeability.imag < 0).all()
        assert material.licence == "MIT"
        assert material.tolerance == 0.25
        assert material.initial_permeability == pytest.approx(permeability[0].real, rel=0.3)


def test_properties_agree_with_the_class(library):
    limits = {  # memory: class properties, Ω·m; wider by ten for stray grades
        MaterialClass.MNZN: (0.01, 100.0),
        MaterialClass.NIZN: (1e2, 1e8),
    }
    for material in library.materials:
        low, high = limits[material.material_class]
        assert low <= material.resistivity_ohm_m <= high
        assert 2500 <= material.density_kg_m3 <= 5300  # kg/m³; two grades are bonded ferrite
        assert 50 <= material.curie_temperature_c <= 500


def test_loss_adds_up_to_the_permeability(library):
    """Independent of the fit: (2/π)∫ μ″ d ln f = μ′(low) − μ′(high), for curves that show it all."""
    ratios = []
    for material in library.materials:
        loss = -material.permeability.imag
        peak = loss.argmax()
        if loss[0] < 0.1 * loss[peak] and loss[-1] < 0.1 * loss[peak]:
            area = 2 / np.pi * np.trapezoid(loss, np.log(material.frequency_hz))
            ratios.append(area / (material.permeability[0].real - material.permeability[-1].real))
    assert len(ratios) >= 30
    # analytic: 1 for a whole curve; up to a tenth of the loss lies outside the span, and readings of two
    # plots differ by some percent
    assert 0.93 < np.median(ratios) < 1.02
    assert all(0.8 < ratio < 1.1 for ratio in ratios)


def test_false_pairing_of_real_grades_scores_far_worse(library):
    scores = []
    curves = {name: library[f"open-{name}"] for name in ("tdk-n87", "tdk-n30", "tdk-t38", "tdk-l7h")}
    for one in curves.values():
        for other in curves.values():
            low = max(one.frequency_hz[0], other.frequency_hz[0])
            high = min(one.frequency_hz[-1], other.frequency_hz[-1])
            grid = np.geomspace(low, high, 60)
            real = np.interp(np.log(grid), np.log(one.frequency_hz), one.permeability.real)
            imag = np.interp(np.log(grid), np.log(other.frequency_hz), other.permeability.imag)
            residual = check_causality(grid, real + 1j * imag).residual_rms
            if one is other:
                assert residual < DOUBTFUL_RESIDUAL
            else:
                scores.append(residual)
    # practice: a false pairing scores 0.15 where a good curve scores 0.003 to 0.006
    assert min(scores) > 5 * DOUBTFUL_RESIDUAL
    assert np.median(scores) > 10 * DOUBTFUL_RESIDUAL


def test_the_package_is_not_named_on_screens(library):
    said = [text for material in library.materials for text in (material.id, material.name, material.source)]
    said += [text for problem in library.problems for text in (problem.where, problem.what)]
    assert not any("openmagnetics" in text.lower() for text in said)


def test_page_states_the_counts():
    rows = Counter((row.family, row.reason is None) for row in screening_report())
    page = dict(
        re.findall(r"^\| ([^|]+?) \| \d+ \| (\d+) \|", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    )
    families = {family for family, _ in rows}
    assert families <= set(page)
    for family in families:
        # a curve at the limit of the causality test may fall either way with another scipy
        assert abs(int(page[family]) - rows[family, True]) <= 1


def test_loaded_once(library):
    assert open_collection() is library


@pytest.fixture
def fresh():
    yield
    module._screened.cache_clear()
    module.open_collection.cache_clear()


def without_cache():
    module._screened.cache_clear()
    module.open_collection.cache_clear()


def test_missing_extra(monkeypatch, fresh):
    def absent(name):
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(metadata, "version", absent)
    without_cache()
    with pytest.raises(LibraryError) as caught:
        open_collection()
    assert caught.value.next_step == 'pip install "whichcore[curves]"'


def test_other_release(monkeypatch, fresh):
    monkeypatch.setattr(metadata, "version", lambda _: "1.8.0")
    without_cache()
    with pytest.raises(LibraryError) as caught:
        open_collection()
    assert caught.value.got == "1.8.0"
    assert caught.value.allowed == "1.7.35"


@pytest.mark.parametrize("error", [ImportError("PyOpenMagnetics: no symbol"), OSError("libstdc++ too old")])
def test_unfit_platform(monkeypatch, fresh, error):
    def fail(name):
        raise error

    monkeypatch.setattr(module.importlib, "import_module", fail)
    without_cache()
    with pytest.raises(LibraryError) as caught:
        screening_report()
    assert "whichcore[curves]" in caught.value.next_step
    assert caught.value.got == type(error).__name__
    assert "openmagnetics" not in caught.value.one_line().lower()
