"""Whether a reference material can be one: level and corner of its curve, and its own statement of its level.

What is held against a sweep before it is judged (`whichcore.analysis.trial`) is held against a reference too,
which judges many sweeps. Its class is known besides, so that frequencies in a wrong unit show.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from whichcore.analysis.class_properties import class_properties
from whichcore.analysis.materials import Material
from whichcore.analysis.screening import SNOEK_HZ, near_snoek
from whichcore.analysis.trial.data import level_times_corner
from whichcore.analysis.trial.set_up import LARGEST_PERMEABILITY, LARGEST_PRODUCT_HZ
from whichcore.analysis.warming import warming
from whichcore.errors import InputError
from whichcore.wording import in_percent, plain

#: Ratio of the stated initial permeability to the low end of the curve that is allowed beside the tolerance.
#: Tables are typed off other cores and other levels than curves. Practice.
LABEL_FACTOR = 1.5
#: A curve taken at a higher peak flux density need not show the initial permeability, T: by Rayleigh's law it
#: is some hundredths higher at 10 mT, and at a tenth of a tesla some times as high. Practice.
HIGH_FLUX_T = 10e-3
#: A curve that begins with more loss than this part of |μ|, and falls, begins within its dispersion.
_LOSSY, _FALLS = 0.2, 0.8
#: Share of the ends of the range of a class up to which a stated density is taken. Practice.
_DENSITY_FACTOR = 2.0
#: Units that frequencies may have been read in instead of hertz.
_UNITS = ((1e3, "kHz"), (1e6, "MHz"))


def check_material(material: Material, where: str | None = None) -> None:
    """Refuse reference material that no soft magnetic material can be.

    Parameters
    ----------
    material : Material
    where : str, optional
        What the error names; without it the id.

    Raises
    ------
    InputError
        A permeability, or a product of level and corner, that no material has; frequencies that are those of
        the class in another unit; an initial permeability that is not that of the curve; or a density far
        from that of the class.
    """
    place = f"material {material.id}" if where is None else where
    _check_level(material, place)
    _check_corner(material, place)
    _check_label(material, place)
    _check_density(material, place)


def _check_density(material: Material, where: str) -> None:
    """Hold a stated density against the range of its class, doubled on both sides."""
    density = material.density_kg_m3
    usual = class_properties(material.material_class).quantities["density"]
    low, high = usual.low / _DENSITY_FACTOR, usual.high * _DENSITY_FACTOR
    if density is None or low <= density <= high:
        return
    raise InputError(
        f"no {material.material_class.value} material is so dense or so light",
        where=where,
        got=f"density {density / 1e3:.3g} g/cm3",
        allowed=f"{low / 1e3:.2g} to {high / 1e3:.2g} g/cm3",
        next_step="check the number and its unit, or leave the density out",
    )


def _check_level(material: Material, where: str) -> None:
    size = np.abs(material.permeability)
    worst = int(size.argmax())
    if size[worst] <= LARGEST_PERMEABILITY:
        return
    raise InputError(
        "the curve has a permeability that no soft magnetic material has",
        where=where,
        got=f"|μ| = {size[worst]:.3g} at {material.frequency_hz[worst]:g} Hz",
        allowed=f"up to {LARGEST_PERMEABILITY:,.0f}",
        next_step="look for frequencies in kHz, an impedance in another unit, wrong turns or dimensions",
    )


def _check_corner(material: Material, where: str) -> None:
    """Hold level × corner against what any material has, and against the class in other units.

    J. L. Snoek, Physica 14, 207 (1948), from memory: (μi − 1) f_r is about one number in a family of
    ferrites. Eddy currents, walls and the section lower it rightly, by far less than a thousand.
    """
    level = max(float(np.abs(material.permeability[0])), 1.0)
    product, fallen = level_times_corner(material.frequency_hz, material.permeability, level)
    typical = SNOEK_HZ.get(material.material_class)
    allowed = f"{LARGEST_PRODUCT_HZ / 1e9:.3g} GHz at most in any material"
    looks = [unit for factor, unit in _UNITS if typical and near_snoek(factor * product, typical)]
    if product <= LARGEST_PRODUCT_HZ:
        if typical is None or not fallen or near_snoek(product, typical) or not looks:
            return
        allowed = f"some {typical / 1e9:.2g} GHz in {material.material_class.value}"
    raise InputError(
        "level and corner of the curve do not belong to one material",
        where=where,
        got=f"level times corner frequency {product / 1e9:.2g} GHz",
        allowed=allowed,
        next_step=f"give the frequencies in Hz: they look as if they were in {looks[0]}"
        if looks
        else "check the unit of the frequencies, and the values of the curve",
    )


def _check_label(material: Material, where: str) -> None:
    """Hold the stated initial permeability against the low end of the curve.

    The stated one is that at room temperature, or at the temperature of the curve: what warming usually does
    in the class is allowed besides. A curve at a high level shows another permeability.
    """
    if material.flux_density_t is not None and material.flux_density_t > HIGH_FLUX_T:
        return
    frequency, mu = material.frequency_hz, material.permeability
    begins = float(np.median(mu.real[frequency <= 2 * frequency[0]]))
    stated = material.initial_permeability
    low, high = _allowed_factors(material, begins)
    if begins > 0 and low <= begins / stated <= high:
        return
    if stated > begins and _begins_in_dispersion(material):
        return
    at = "" if material.temperature_c is None else f", a curve of {material.temperature_c:g} °C"
    raise InputError(
        "the initial permeability is not that of the curve",
        where=where,
        got=f"initial_permeability {plain(stated, 4)}, and the curve begins with {plain(begins, 4)}",
        allowed=f"{low:.3g} to {high:.3g} times the stated one with the tolerance of "
        f"{in_percent(material.tolerance, 3)}{at}",
        next_step="correct the one that is wrong, or state the temperature and the flux density at which the "
        "curve was taken",
    )


def _allowed_factors(material: Material, begins: float) -> tuple[float, float]:
    """Return the least and the most that the low end of the curve may be of the stated permeability.

    The rise goes with the permeability in some classes: the lower of both is taken, lest a slip allow itself.
    """
    room = float(np.log(LABEL_FACTOR * (1 + material.tolerance)))
    level = min(material.initial_permeability, max(begins, 1.0))
    mean, spread = warming(
        replace(material, temperature_c=None, initial_permeability=level), material.temperature_c
    )
    low, high = min(mean, 0.0) - 2 * spread - room, max(mean, 0.0) + 2 * spread + room
    return float(np.exp(low)), float(np.exp(high))


def _begins_in_dispersion(material: Material) -> bool:
    mu, near = material.permeability, material.frequency_hz <= 10 * material.frequency_hz[0]
    size = np.abs(mu)
    return bool(-mu.imag[0] > _LOSSY * size[0] and size[near].min() < _FALLS * size[0])
