"""Whether a cracked core of another material would look like the one that is named."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from whichcore.analysis.materials import Material
from whichcore.analysis.posterior import Evidence
from whichcore.analysis.priors import CRACK_PROBABILITY
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray

#: Likelihood ratio, cracked other material to the one named, from which the two are called alike. Practice.
ALIKE = 0.1
#: Materials told.
_TOLD = 3


def alike_if_cracked(evidence: Evidence, listed: FloatArray) -> list[int]:
    """Return the materials whose cracked cores fit about as well as the named one does whole, best first.

    A relaxation behind a gap is again a relaxation, of lower level and higher corner (closed form). Then only
    the rarity of cracks speaks for the whole core of the lower grade, and no sweep tells more.

    Parameters
    ----------
    evidence : Evidence
    listed : float array (M,)
        Probability of each material.
    """
    first = int(listed.argmax())
    if listed[first] < 0.5 or evidence.gapped[first] >= 0.5:
        return []
    with np.errstate(divide="ignore"):
        cracked = evidence.log_evidence + np.log(evidence.gapped) - np.log(CRACK_PROBABILITY)
    ratio = cracked - evidence.log_evidence[first]
    order = np.argsort(-ratio, kind="stable")
    speaks = ~evidence.silent
    return [int(i) for i in order if i != first and speaks[i] and ratio[i] > np.log(ALIKE)]


def crack_notes(
    materials: Sequence[Material], evidence: Evidence, listed: FloatArray, specimen: Specimen
) -> list[str]:
    """Say which cracked cores would look the same; nothing with gap or joints, or after a look for it."""
    if specimen.crack is not None or not specimen.in_one_piece:
        return []
    alike = alike_if_cracked(evidence, listed)
    if not alike:
        return []
    names = ", ".join(materials[i].id for i in alike[:_TOLD])
    more = f" and {len(alike) - _TOLD} more" if len(alike) > _TOLD else ""
    return [
        f"a cracked core of {names}{more} would look the same: only that cracks are rare (one core in "
        f"{1 / CRACK_PROBABILITY:.0f}) speaks against it; look under a lamp, or sweep a second core"
    ]
