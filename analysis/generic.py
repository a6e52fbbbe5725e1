"""Generic grades: reference curves worked out from published dispersion laws by a table of recipes.

A recipe names a law and its parameters; `curve` evaluates it, `material_toml` and `curve_csv` write the pair
of files of a library folder. The tables ``recipes.csv`` and ``parents.csv`` stand in the shipped library.
No maker's curve enters anywhere.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from importlib import resources

import numpy as np

from whichcore.analysis import dispersion
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.types import ComplexArray, FloatArray
from whichcore.errors import InputError

START_HZ = 1e3
POINTS_PER_DECADE = 20
_DIGITS = 6
#: Quadrature of a spread of resonances: nodes in standard deviations, closer than the narrowest line is wide.
_SPREAD_NODES = np.linspace(-3, 3, 121)
_OPTIONAL_TEXT = ("resistivity", "density", "curie_temperature", "section", "temperature")


@dataclass(frozen=True, slots=True)
class Recipe:
    """One row of the recipe table.

    Attributes
    ----------
    id, name : str
    material_class : MaterialClass
    law : str
        wall-spin, ribbon or powder.
    parent : str
        Id of the published parameters a wall-spin curve is scaled from; empty for the other laws.
    parameters : mapping of str to float
        Parameters of the law, in SI units.
    initial_permeability : float
        Static permeability the curve is scaled to.
    stop_hz : float
        End of the curve.
    texts : mapping of str to str
        Keys of the material file that are copied as they stand.
    applications : tuple of str
    """

    id: str
    name: str
    material_class: MaterialClass
    law: str
    parent: str
    parameters: Mapping[str, float]
    initial_permeability: float
    stop_hz: float
    texts: Mapping[str, str]
    applications: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Parent:
    """Published parameters of the wall + spin law of one sintered ferrite."""

    wall: dispersion.WallResonance
    spin: dispersion.SpinResonance

    @property
    def strength(self) -> float:
        """Static susceptibility."""
        return self.wall.strength + self.spin.strength

    def times_frequency(self, factor: float) -> Parent:
        """Return the same law with every frequency multiplied."""
        wall, spin = self.wall, self.spin
        return Parent(
            replace(wall, frequency_hz=wall.frequency_hz * factor, damping_hz=wall.damping_hz * factor),
            replace(spin, frequency_hz=spin.frequency_hz * factor),
        )


def _rows(name: str) -> list[dict[str, str]]:
    text = (resources.files("whichcore.analysis.library") / name).read_text("utf-8")
    return list(csv.DictReader(text.splitlines()))


def _pairs(cell: str) -> dict[str, float]:
    """Read ``name=value name=value``."""
    return {name: float(value) for name, _, value in (part.partition("=") for part in cell.split())}


def load_recipes() -> tuple[Recipe, ...]:
    """Return the shipped recipes in the order of their table."""
    fixed = ("id", "name", "law", "parent")
    return tuple(
        Recipe(
            **{name: row[name] for name in fixed},
            material_class=MaterialClass(row["class"]),
            parameters=_pairs(row["parameters"]),
            initial_permeability=float(row["initial_permeability"]),
            stop_hz=float(row["stop_hz"]),
            texts={key: row[key] for key in ("tolerance", "curve_deviation", "source", *_OPTIONAL_TEXT)},
            applications=tuple(part for part in row["applications"].split(";") if part),
        )
        for row in _rows("recipes.csv")
    )


def load_parents() -> dict[str, Parent]:
    """Return the published wall + spin parameters by id."""
    return {
        row["id"]: Parent(
            dispersion.WallResonance(
                float(row["wall_strength"]), float(row["wall_frequency_hz"]), float(row["wall_damping_hz"])
            ),
            dispersion.SpinResonance(
                float(row["spin_strength"]), float(row["spin_frequency_hz"]), float(row["spin_damping"])
            ),
        )
        for row in _rows("parents.csv")
    }


def scaled_parent(parent: Parent, recipe: Recipe) -> Parent:
    """Scale published parameters to another permeability.

    The strengths keep their sum at μi − 1, of which ``wall_share`` is the walls' part. All frequencies go as
    (parent's static susceptibility)/(μi − 1), Snoek's law, times ``corner_factor``; those of the walls also
    times ``wall_corner_factor``. A ``spin_damping`` other than the parent's leaves the spin corner
    f_s/√(1 + α²) where it is, a ``wall_damping`` β/f_d leaves f_d, so that they change the shape only.

    Parameters
    ----------
    parent : Parent
    recipe : Recipe

    Returns
    -------
    Parent
    """
    wanted = recipe.parameters
    strength = recipe.initial_permeability - 1
    share = wanted.get("wall_share", parent.wall.strength / parent.strength)
    corner = parent.strength / strength * wanted.get("corner_factor", 1.0)
    wall_corner = corner * wanted.get("wall_corner_factor", 1.0)
    wall_hz = parent.wall.frequency_hz * wall_corner
    wall_damping = wanted.get("wall_damping", parent.wall.damping_hz / parent.wall.frequency_hz)
    damping = wanted.get("spin_damping", parent.spin.damping)
    keep_corner = float(np.sqrt((1 + damping**2) / (1 + parent.spin.damping**2)))
    return Parent(
        dispersion.WallResonance(share * strength, wall_hz, wall_hz * wall_damping),
        dispersion.SpinResonance(
            (1 - share) * strength, parent.spin.frequency_hz * corner * keep_corner, damping
        ),
    )


def _wall_spin(frequency_hz: FloatArray, recipe: Recipe) -> ComplexArray:
    try:
        published = load_parents()[recipe.parent]
    except KeyError:
        raise InputError("there are no such parameters", where="parents.csv", got=recipe.parent) from None
    scaled = scaled_parent(published, recipe)
    return spread_wall_and_spin(frequency_hz, scaled, recipe.parameters.get("spread", 0.0))


def spread_wall_and_spin(frequency_hz: FloatArray, law: Parent, spread: float) -> ComplexArray:
    """Wall + spin law whose resonance frequencies differ from grain to grain.

    Parameters
    ----------
    frequency_hz : float array (F,)
    law : Parent
        Of the median grain.
    spread : float
        Standard deviation of the logarithm of the frequencies, a normal law cut off at three of them; 0
        leaves the law as it is.

    Returns
    -------
    complex array (F,)
        Mean over the grains; its static value is that of ``law``.

    Notes
    -----
    The frequency of a wall depends on the size of its grain, that of the spins on the demagnetising fields
    of the grain (D. Polder and J. Smit, Rev. Mod. Phys. 25, 89 (1953); from memory). A wide loss peak made
    of many lightly damped lines has far less loss below it than one broad line: χ″ tends to (π/2)K times the
    density of the lines over ln f (analytic). The normal law is chosen.
    """
    if spread == 0:
        return dispersion.wall_and_spin(frequency_hz, law.wall, law.spin)
    weights = np.exp(-0.5 * _SPREAD_NODES**2)
    grains = [law.times_frequency(float(factor)) for factor in np.exp(spread * _SPREAD_NODES)]
    terms = np.array([dispersion.wall_and_spin(frequency_hz, grain.wall, grain.spin) for grain in grains])
    return np.asarray(weights @ terms / weights.sum())


def _ribbon(frequency_hz: FloatArray, recipe: Recipe) -> ComplexArray:
    return dispersion.ribbon(
        frequency_hz,
        recipe.initial_permeability,
        recipe.parameters["metal_resistivity"],
        recipe.parameters["thickness"],
    )


def _powder(frequency_hz: FloatArray, recipe: Recipe) -> ComplexArray:
    """Conducting spheres in series with the non-magnetic gaps that bring them to the static permeability."""
    metal = recipe.parameters["metal_permeability"]
    particle = dispersion.conducting_sphere(
        frequency_hz, metal, recipe.parameters["metal_resistivity"], recipe.parameters["radius"]
    )
    return dispersion.with_grain_boundary(particle, 1 / recipe.initial_permeability - 1 / metal)


_LAWS: Mapping[str, Callable[[FloatArray, Recipe], ComplexArray]] = {
    "wall-spin": _wall_spin,
    "ribbon": _ribbon,
    "powder": _powder,
}


_PARAMETERS: Mapping[str, frozenset[str]] = {
    "wall-spin": frozenset(
        {"wall_share", "wall_corner_factor", "corner_factor", "wall_damping", "spin_damping", "spread"}
    ),
    "ribbon": frozenset({"metal_resistivity", "thickness"}),
    "powder": frozenset({"metal_permeability", "metal_resistivity", "radius"}),
}


def _check(recipe: Recipe) -> None:
    """Refuse an unknown law and a parameter the law has not, or lacks."""
    if recipe.law not in _LAWS:
        raise InputError(
            "there is no such law", where=recipe.id, got=recipe.law, allowed=", ".join(sorted(_LAWS))
        )
    known, given = _PARAMETERS[recipe.law], frozenset(recipe.parameters)
    if given - known or (recipe.law != "wall-spin" and known - given):  # wall-spin has a default for each
        raise InputError(
            "the parameters are not those of the law",
            where=recipe.id,
            got=", ".join(sorted(given)),
            allowed=", ".join(sorted(known)),
        )


def _rounded(values: FloatArray) -> FloatArray:
    return np.array([float(f"{value:.{_DIGITS}g}") for value in values])


def curve(recipe: Recipe) -> tuple[FloatArray, ComplexArray]:
    """Evaluate a recipe on its grid of frequencies.

    Parameters
    ----------
    recipe : Recipe

    Returns
    -------
    frequency_hz : float array (F,)
        From 1 kHz to the end of the curve, twenty to the decade, rounded to six digits.
    permeability : complex array (F,)
        μ′ − jμ″ at those rounded frequencies.

    Raises
    ------
    InputError
        When the law or its parent is unknown or a parameter outside its range.
    """
    _check(recipe)
    intervals = round(POINTS_PER_DECADE * np.log10(recipe.stop_hz / START_HZ))
    frequency = _rounded(START_HZ * 10 ** (np.arange(intervals + 1) / POINTS_PER_DECADE))
    return frequency, _LAWS[recipe.law](frequency, recipe)


def curve_csv(recipe: Recipe) -> str:
    """Return the reference curve as the text of a CSV file, loss positive, six digits."""
    frequency, permeability = curve(recipe)
    lines = ["frequency_hz,mu_real,mu_imag"]
    lines += [
        f"{f:.{_DIGITS}g},{mu.real:.{_DIGITS}g},{-mu.imag:.{_DIGITS}g}"
        for f, mu in zip(frequency, permeability, strict=True)
    ]
    return "\n".join(lines) + "\n"


def _toml_text(value: str) -> str:
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def material_toml(recipe: Recipe) -> str:
    """Return the material file of a recipe as text."""
    texts = recipe.texts
    pairs = [
        ("id", _toml_text(recipe.id)),
        ("name", _toml_text(recipe.name)),
        ("class", _toml_text(recipe.material_class.value)),
        ("initial_permeability", f"{recipe.initial_permeability:g}"),
        ("tolerance", _toml_text(texts["tolerance"])),
        ("curve", _toml_text(f"{recipe.id}.csv")),
        ("curve_deviation", _toml_text(texts["curve_deviation"])),
        ("source", _toml_text(texts["source"])),
        ("licence", _toml_text("MIT")),
    ]
    pairs += [(key, _toml_text(texts[key])) for key in _OPTIONAL_TEXT if texts[key]]
    if recipe.applications:
        pairs.append(("applications", f"[{', '.join(_toml_text(use) for use in recipe.applications)}]"))
    return "".join(f"{key} = {value}\n" for key, value in pairs)
