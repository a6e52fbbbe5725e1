"""What a piece of evidence on a material answers beside its curve."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence

from whichcore.analysis.materials import Material, MaterialClass


class ClassEvidence(ABC):
    """Something that speaks for or against a material without its curve."""

    __slots__ = ()

    @property
    @abstractmethod
    def name(self) -> str:
        """What it is, for the explanation."""

    def name_for(self, materials: Sequence[str]) -> str:
        """Return what it is where it speaks of these materials, by id."""
        del materials
        return self.name

    @property
    def plausible(self) -> bool:
        """Whether it fits any class of material at all."""
        return True

    @property
    def checkable(self) -> bool:
        """Whether there is something to check where it speaks against all the rest."""
        return True

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user should know of it, each one clause."""
        return ()

    def log_likelihood(self, material: Material) -> float:
        """Log-likelihood of the observation for a core of this material: as for its class."""
        return self.class_log_likelihood(material.material_class)

    @abstractmethod
    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-likelihood for a core of a material of this class that nobody listed."""
