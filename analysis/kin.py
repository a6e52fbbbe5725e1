"""The kin of a library: for each reference a grade that is not listed and like it.

The family of :mod:`whichcore.analysis.unlisted` spans whatever a material may be. Most grades that a library
lacks are nearer to one of its curves than to any member of that family: without them the nearest listed
neighbour would be named for want of a rival. So each reference stands also for its unlisted kin, whose level,
corner and shape differ from it by more than cores of its own grade do. A loose reference stands for many
grades as it is and has no kin.

Grades also differ in what a section makes of them: permittivity and conductivity. Where the section of a
reference is not stated, a core that it explains only as taken on another section may as well be of an
unlisted grade that differs from it in just that. These are its section kin. And a grade of lower permeability
and higher corner looks much as a cracked core of a listed one: its sheared kin (docs/decisions/0018). Or it
stands where the next grade of the family does (`family_kin`, docs/decisions/0020).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichcore.analysis.curve_deviation import is_loose
from whichcore.analysis.materials import Library, Material
from whichcore.analysis.section_fit import feels_section
from whichcore.analysis.types import FloatArray

#: Prior probability that a core is of a material the library does not hold. Practice: a library of some
#: hundred grades lacks many of those made; what it does to verdicts is counted (docs/decisions/0018).
UNLISTED_PRIOR = 0.21
#: Spread of the level of kin about the reference (2σ of its logarithm), deviation of their curve. Practice.
KIN_TOLERANCE, KIN_DEVIATION = 1.0, 0.20
#: Shares of unlisted materials that are kin of a listed one, and near kin (`near_kin`) or section kin: most
#: grades that a library lacks are. Of 59 grades left out 32 were named above 0.8 as another one taken on
#: another section. Practice: what they do to verdicts is counted (docs/decisions/0009, 0015, 0018).
KIN_SHARE, NEAR_KIN_SHARE = 0.02, 0.64
#: Share of those that are sheared kin. Of 45 grades left out, and of 45 where the references state their
#: section, three each were named above 0.8 as a cracked core of another one. Half of that leaves a core
#: that a crack alone explains just below a name. Practice.
SHEARED_KIN_SHARE = 0.035
#: Share of those that are the next grade of a family (`family_kin`). Practice (docs/decisions/0020).
FAMILY_KIN_SHARE = 0.25
#: How much likelier the kin of a reference are whose class feels no section than those of one that feels
#: its own: such grades are listed far less fully (nickel-zinc has 21 of the 96 open grades, and makers sell
#: as many of it; memory), and no unknown section hides what they deviate by. Practice
#: (docs/decisions/0020).
SECTIONLESS_ODDS = 3.3


@lru_cache(maxsize=8)
def kin_of(library: Library) -> Library:
    """Return the kin, one for each material in its place; kept for the next specimen."""
    return Library(tuple(_kin(material) for material in library.materials))


def _kin(material: Material) -> Material:
    return replace(
        material,
        tolerance=max(material.tolerance, KIN_TOLERANCE),
        curve_deviation=max(material.curve_deviation, KIN_DEVIATION),
    )


@dataclass(frozen=True, slots=True)
class NoneOfThese:
    """What the data say of a core of no listed grade.

    Attributes
    ----------
    log_evidence, of_family : float
        Log evidence of all, and of the wide family alone, its share included.
    classes : dict of str to float
        Probability of each class, given that it is none of the listed materials.
    """

    log_evidence: float
    of_family: float
    classes: dict[str, float]


def kin_odds(materials: Sequence[Material], speaks: NDArray[np.bool_]) -> FloatArray:
    """How much likelier the kin of each material are than usual, (M,).

    It is 1 of a reference that feels its section, `SECTIONLESS_ODDS` of another one, and 0 of one that has no
    kin: it is loose, or silent on the data (``speaks``).
    """
    usual = [1.0 if feels_section(material) else SECTIONLESS_ODDS for material in materials]
    loose = [is_loose(material) for material in materials]
    return np.where(speaks & ~np.array(loose, dtype=bool), usual, 0.0)


def with_kin(
    alternative: tuple[float, dict[str, float]],
    kin: tuple[FloatArray, ...],
    classes: Sequence[str],
    odds: FloatArray,
) -> NoneOfThese:
    """Join what the wide family and the kin say.

    A reference that is silent in the band has no kin there, and a loose one has none at all: it stands for
    many grades as it is. Their share is the family's.

    Parameters
    ----------
    alternative : (float, dict of str to float)
        Log evidence of the family, and the probability of each class under it.
    kin : tuple of four float arrays (M,)
        Log evidence of the kin of each material, of its near kin or section kin, of its sheared kin, and of
        its family kin.
    classes : sequence of str (M)
    odds : float array (M,)
        How much likelier the kin of each material are than usual, as `kin_odds` returns it.
    """
    family, by_class = alternative
    shares = KIN_SHARE, NEAR_KIN_SHARE, SHEARED_KIN_SHARE, FAMILY_KIN_SHARE
    own = logsumexp(np.log(shares)[:, np.newaxis] + kin, axis=0) - np.log(len(classes))
    with np.errstate(divide="ignore"):
        own = own + np.log(odds)
    of_family = float(family + np.log(1 - sum(shares) * np.minimum(odds, 1).mean()))
    names = list(dict.fromkeys((*by_class, *classes)))
    logs = []
    for name in names:
        of_class = of_family + np.log(max(by_class.get(name, 0.0), 1e-300))
        logs.append(logsumexp([of_class, *own[[c == name for c in classes]]]))
    total = float(logsumexp(logs))
    by_class = {name: float(np.exp(value - total)) for name, value in zip(names, logs, strict=True)}
    return NoneOfThese(total, of_family, by_class)
