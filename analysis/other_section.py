"""Whether a name rests on a reference that was taken on another section than the specimen's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

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


def section_kin_probability(
    evidence: Evidence, unlisted_by_class: Mapping[str, float], material: Material, index: int
) -> float:
    """Return the probability of the section kin of a material when all evidence is in.

    Evidence on the class speaks on its kin as on any unlisted grade of the class: in the same ratio.

    Parameters
    ----------
    evidence : Evidence
        What the curves say.
    unlisted_by_class : mapping of str to float
        Probability of an unlisted grade of each class, all evidence in.
    material : Material
    index : int
        Its place in the library.
    """
    name = material.material_class.value
    of_class = evidence.unlisted_classes[name]
    return float(evidence.section_kin[index] * unlisted_by_class[name] / of_class) if of_class > 0 else 0.0


def section_notes(
    materials: Sequence[Material],
    evidence: Evidence,
    probability: FloatArray,
    unlisted_by_class: Mapping[str, float],
) -> list[str]:
    """Say that a grade in no library would look like the likeliest of M materials, and what tells the two."""
    first = rests_on_other_section(evidence, probability)
    if first is None:
        return []
    kin = section_kin_probability(evidence, unlisted_by_class, materials[first], first)
    return [
        f"{materials[first].id} fits only as taken on another section than this core's, which its reference "
        f"does not state: an unlisted grade of other permittivity or conductivity ({kin:.2f}) would look the "
        "same; sweep a known core of it of about this section"
    ]
