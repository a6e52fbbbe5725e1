"""Whether a name rests on a reference that was taken on another section than the specimen's."""

from __future__ import annotations

from collections.abc import Sequence

from whichcore.analysis.materials import Material
from whichcore.analysis.posterior import Evidence
from whichcore.analysis.types import FloatArray

#: Share of the likeliest material's probability on another section from which that is told. Practice.
RESTS = 0.5
#: Least probability of a material worth the word.
_LEAST = 0.2


def section_notes(materials: Sequence[Material], evidence: Evidence, probability: FloatArray) -> list[str]:
    """Say that a grade in no library would look like the likeliest one, and what tells them apart.

    Parameters
    ----------
    materials : sequence of Material (M)
    evidence : Evidence
    probability : float array (M + 1,)
        Of each material, and of none of them.
    """
    first = int(probability[:-1].argmax())
    if probability[first] < _LEAST or evidence.on_other_section[first] < RESTS:
        return []
    kin = probability[-1] * evidence.section_kin[first]
    return [
        f"{materials[first].id} fits only as taken on another section than this core's, which its reference "
        f"does not state: an unlisted grade of other permittivity or conductivity ({kin:.2f}) would look the "
        "same; sweep a known core of it in a ring of this size"
    ]
