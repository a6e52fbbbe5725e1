"""Whether a name rests on a reference that was taken on another section than the specimen's."""

from __future__ import annotations

from collections.abc import Sequence

from whichcore.analysis.materials import Material
from whichcore.analysis.posterior import Evidence
from whichcore.analysis.types import FloatArray

#: Share of a material's probability on another section from which it rests on that. Practice: data that tell
#: nothing of it leave the prior share, one half.
RESTS = 0.9
#: Least probability of a material worth the word.
_LEAST = 0.2


def rests_on_other_section(evidence: Evidence, probability: FloatArray) -> int | None:
    """Return the likeliest material if it fits only as taken on another section than the specimen's.

    Parameters
    ----------
    evidence : Evidence
    probability : float array (M + 1,)
        Of each material, and of none of them.
    """
    first = int(probability[:-1].argmax())
    told = not evidence.silent[first] and evidence.on_other_section[first] >= RESTS
    return first if told and probability[first] >= _LEAST else None


def section_notes(materials: Sequence[Material], evidence: Evidence, probability: FloatArray) -> list[str]:
    """Say that a grade in no library would look like the likeliest of M materials, and what tells the two."""
    first = rests_on_other_section(evidence, probability)
    if first is None:
        return []
    kin = probability[-1] * evidence.section_kin[first]
    return [
        f"{materials[first].id} fits only as taken on another section than this core's, which its reference "
        f"does not state: an unlisted grade of other permittivity or conductivity ({kin:.2f}) would look the "
        "same; sweep a known core of it of about this section"
    ]
