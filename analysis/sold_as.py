"""What a part was sold for or marked as: an application, a class, or a grade; labels are wrong now and then.

applications.csv says what each class is used for, label_trust.csv how often a label of each kind is wrong.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np

from whichcore.analysis.class_evidence import ClassEvidence
from whichcore.analysis.materials import Library, Material, MaterialClass
from whichcore.errors import InputError

#: Share of parts of a grade that serve what its library entry states, not what its class does. Practice.
STATED_SHARE = 0.7
#: Of wrong labels of a grade, the share that still names the right class. Practice.
RIGHT_CLASS_SHARE = 0.7


@dataclass(frozen=True, slots=True)
class Application:
    """One kind of use.

    Attributes
    ----------
    name : str
    words : tuple of str
        Spellings, in libraries and by users.
    shares : mapping of MaterialClass to float
        Share of the parts of a class that are sold for it.
    """

    name: str
    words: tuple[str, ...]
    shares: Mapping[MaterialClass, float]


@cache
def applications() -> tuple[Application, ...]:
    """Return the kinds of use."""
    rows = _rows("applications.csv")
    return tuple(
        Application(
            row["application"],
            tuple(row["words"].split(";")),
            {name: float(row[name.value]) for name in MaterialClass},
        )
        for row in rows
    )


@cache
def wrong_share(label: str) -> float:
    """Return how often a label of this kind (application, class, material) is wrong."""
    return next(float(row["wrong_share"]) for row in _rows("label_trust.csv") if row["label"] == label)


def _rows(name: str) -> list[dict[str, str]]:
    text = (resources.files("whichcore.analysis") / name).read_text("utf-8")
    return list(csv.DictReader(text.splitlines()))


def _plain(word: str) -> str:
    return " ".join(word.casefold().replace("-", " ").split())


@cache
def application_of(word: str) -> Application | None:
    """Return the kind of use a word names, None when it names none."""
    plain = _plain(word)
    return next((a for a in applications() if plain in {_plain(w) for w in (a.name, *a.words)}), None)


def uses_of(material: Material) -> frozenset[str]:
    """Names of the kinds of use a library entry states; words nobody knows count for none."""
    found = (application_of(word) for word in material.applications)
    return frozenset(application.name for application in found if application)


@dataclass(frozen=True, slots=True)
class SoldForUse(ClassEvidence):
    """The part was sold for an application."""

    application: Application

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        return f"label (sold for {self.application.name})"

    def log_likelihood(self, material: Material) -> float:
        """Log-probability of this label on a core of the material."""
        uses = uses_of(material)
        share = self.application.shares[material.material_class]
        if uses:
            own = 1 / len(uses) if self.application.name in uses else 0.0
            share = STATED_SHARE * own + (1 - STATED_SHARE) * share
        return self._trusted(share)

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-probability of this label on a core of an unlisted grade of the class."""
        return self._trusted(self.application.shares[material_class])

    def _trusted(self, share: float) -> float:
        wrong = wrong_share("application")
        return float(np.log((1 - wrong) * share + wrong / len(applications())))


@dataclass(frozen=True, slots=True)
class SoldAsClass(ClassEvidence):
    """The part was sold as one of a class."""

    material_class: MaterialClass

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        return f"label (sold as {self.material_class.value})"

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-probability of this label on a core of the class."""
        wrong = wrong_share("class")
        others = len(MaterialClass) - 1
        return float(np.log(1 - wrong if material_class is self.material_class else wrong / others))


@dataclass(frozen=True, slots=True)
class SoldAsMaterial(ClassEvidence):
    """The part was sold or marked as one grade of the library.

    Attributes
    ----------
    material : Material
    mates, size : int
        Grades of its class in the library, and of all classes.
    """

    material: Material
    mates: int
    size: int

    @property
    def name(self) -> str:
        """What it is, for the explanation."""
        return f"label (sold as {self.material.id})"

    def log_likelihood(self, material: Material) -> float:
        """Log-probability of this label on a core of the material."""
        right = 1 - wrong_share("material") if material.id == self.material.id else 0.0
        return float(np.log(right + self._wrong(material.material_class)))

    def class_log_likelihood(self, material_class: MaterialClass) -> float:
        """Log-probability of this label on a core of an unlisted grade of the class."""
        return float(np.log(self._wrong(material_class)))

    def _wrong(self, material_class: MaterialClass) -> float:
        wrong = wrong_share("material")
        mate = RIGHT_CLASS_SHARE / self.mates if material_class is self.material.material_class else 0.0
        return wrong * (mate + (1 - RIGHT_CLASS_SHARE) / self.size)


def label_of(material: Material, library: Library) -> SoldAsMaterial:
    """Return the label that names a material of a library."""
    mates = sum(m.material_class is material.material_class for m in library.materials)
    return SoldAsMaterial(material, mates, len(library.materials))


def sold_as(text: str, library: Library) -> SoldForUse | SoldAsClass | SoldAsMaterial:
    """Understand a label: id or name of a material, a class, or an application, in this order.

    Raises
    ------
    InputError
        The label is none of them, or the name of several materials.
    """
    plain = _plain(text)
    named = [m for m in library.materials if m.id == text.strip()]
    named = named or [m for m in library.materials if plain in {_plain(m.id), _plain(m.name)}]
    if len(named) > 1:
        raise InputError(
            "several materials of the library have this name",
            where="sold as",
            got=text,
            allowed=", ".join(m.id for m in named),
            next_step="give the id",
        )
    if named:
        return label_of(named[0], library)
    for name in MaterialClass:
        if plain == _plain(name.value):
            return SoldAsClass(name)
    application = application_of(text)
    if application is not None:
        return SoldForUse(application)
    known = [f'"{a.name}"' for a in applications()] + [name.value for name in MaterialClass]
    raise InputError(
        "this label names no application, class or material known here",
        where="sold as",
        got=f'"{text[:60]}"',
        allowed=f"{', '.join(known)}, or id or name of a material",
        next_step="see the materials with: whichcore library list",
    )
