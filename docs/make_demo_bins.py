"""Make the demonstration data of src/whichcore/demo_bins from the answer sheet truth.toml beside them.

Every grade is a linear circuit whose elements were invented for the purpose. Nothing of whichcore is
imported, so neither the measurements nor the workshop's reference curves come from the laws they are judged
with:

- magnetisation: sections L ‖ R, L ‖ R ‖ C and ladders for tape, all in series;
- the body of a conducting, polarisable core: a ladder of T cells from its surface to its middle;
- a crack: an inductance across the core;
- copper: the ladder of a round wire, the leads in series and the winding's capacitance across everything.

A reference curve is the circuit of a grade in the body of one known core. The core in a bin has a scale, a
corner and a draw of each element of its own. The bench then adds its calibration errors (one draw for all
sweeps) and noise (a draw for each point). Run
``python docs/make_demo_bins.py`` to write the files again; the same bytes come out.
"""

from __future__ import annotations

import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Table = dict[str, Any]

DEMO_BINS = Path(__file__).resolve().parent.parent / "src" / "whichcore" / "demo_bins"
MU_0 = 1.256637e-6  # H/m, CODATA 2018 rounded; memory
EPSILON_0 = 8.854188e-12  # F/m, CODATA 2018 rounded; memory
COPPER_OHM_M = 1.7241e-8  # at 20 °C; memory
COPPER_PER_K = 0.00393  # memory
LEAD_H_PER_M = 0.75e-6  # a pair of leads a few millimetres apart; practice
BODY_CELLS = 60
LADDER_DEPTH = 40
FACTOR_NAMES = {
    "relaxations": "xf",
    "resonances": "xfq",
    "tapes": "xdr",
}  # what the numbers of an element are

DIMENSION_U_MM = 0.03
MASS_U_G = 0.02
COAT_G_PER_CM3 = 1.3
FOUR_WIRE_U = 0.004  # relative
METER_U = 0.01  # relative, of the inductance reading
RATIO_U = 5.0e-4  # scatter of the voltage ratio of one point, relative
CHANNEL_U_V = 1.0e-6  # noise of one channel after averaging, V
SOURCE_OHM = 50.0
LARGEST_EMF_V = 1.0  # peak
FLUX_DENSITY_T = 1.0e-3  # peak, where the source reaches it
SECONDS_PER_POINT = 1.8


# --- the circuit --------------------------------------------------------------------------------------------


def tape_ladder(frequency_hz: Real, chi: float, thickness_m: float, resistivity_ohm_m: float) -> Complex:
    """Return χ seen through the eddy currents of a tape: inductances and resistances in a Cauer ladder.

    tanh(x)/x = 1/(1 + x²/(3 + x²/(5 + …))) with x² = jω μ0 χ d²/(4ρ) (analytic).
    """
    x2 = 2j * np.pi * frequency_hz * MU_0 * chi * thickness_m**2 / (4 * resistivity_ohm_m)
    tail = np.full_like(x2, 2 * LADDER_DEPTH + 1)
    for odd in range(2 * LADDER_DEPTH - 1, 0, -2):
        tail = odd + x2 / tail
    return chi / tail


def magnetisation(frequency_hz: Real, elements: Table) -> Complex:
    """Return μ (F,) of the elements in series with the empty coil, each over jωL0."""
    mu = np.ones_like(frequency_hz, dtype=complex)
    for chi, corner_hz in elements.get("relaxations", []):
        mu += chi / (1 + 1j * frequency_hz / corner_hz)
    for chi, centre_hz, quality in elements.get("resonances", []):
        ratio = frequency_hz / centre_hz
        mu += chi / (1 - ratio**2 + 1j * ratio / quality)
    for chi, thickness_um, resistivity_uohm_m in elements.get("tapes", []):
        mu += tape_ladder(frequency_hz, chi, thickness_um * 1e-6, resistivity_uohm_m * 1e-6)
    return mu


def body_admittivity(frequency_hz: Real, section: Table) -> Complex:
    """Return σ + jωε (F,) of the core's body in S/m: one path always there, others through capacitances."""
    omega = 2 * np.pi * frequency_hz
    total = section["siemens_per_m"] + 1j * omega * EPSILON_0 * section["relative_permittivity"]
    for siemens_per_m, corner_hz in section.get("branches", []):
        ratio = 1j * frequency_hz / corner_hz
        total = total + siemens_per_m * ratio / (1 + ratio)
    return np.asarray(total)


def body_ladder(frequency_hz: Real, mu: Complex, admittivity: Complex, thickness_m: float) -> Complex:
    """Return μ (F,) of a plate of that thickness seen from its surface.

    T cells of series jωμ0μ and shunt σ + jωε run from the surface to the middle, where the electric field
    vanishes: a short. The impedance of the ladder over that of the plate's empty half is the permeability.
    """
    cell_m = thickness_m / 2 / BODY_CELLS
    half_series = 2j * np.pi * frequency_hz * MU_0 * mu * cell_m / 2
    impedance = np.zeros_like(mu)
    for _ in range(BODY_CELLS):
        impedance = half_series + 1 / (admittivity * cell_m + 1 / (half_series + impedance))
    return impedance / (2j * np.pi * frequency_hz * MU_0 * thickness_m / 2)


def wire_impedance(frequency_hz: Real, diameter_m: float, length_m: float, temperature_c: float) -> Complex:
    """Return the inner impedance (F,) of a round wire in Ω as a ladder.

    z J0(z)/J1(z) = 2 − z²/(4 − z²/(6 − …)) with z² = −jωμ0 a²/ρ (analytic).
    """
    resistivity = COPPER_OHM_M * (1 + COPPER_PER_K * (temperature_c - 20))
    z2 = -2j * np.pi * frequency_hz * MU_0 * (diameter_m / 2) ** 2 / resistivity
    tail = np.full_like(z2, 2 * LADDER_DEPTH)
    for even in range(2 * LADDER_DEPTH - 2, 0, -2):
        tail = even - z2 / tail
    return resistivity * length_m / (np.pi * (diameter_m / 2) ** 2) * tail / 2


def plate_thickness(width_m: float, height_m: float) -> float:
    """Return the thickness of the plate that resonates where a rectangular section does (analytic)."""
    return float(1 / np.hypot(1 / width_m, 1 / height_m))


@dataclass(frozen=True)
class Ring:
    """Magnetic body of a ring, coat or case taken off, in m."""

    outer_m: float
    inner_m: float
    height_m: float
    corner_area_m2: float
    stacking_factor: float

    @classmethod
    def of(cls, core: Table) -> Ring:
        """Read the true dimensions."""
        coat = core.get("coating_mm", 0.0)
        return cls(
            outer_m=(core["outer_diameter_mm"] - 2 * coat) * 1e-3,
            inner_m=(core["inner_diameter_mm"] + 2 * coat) * 1e-3,
            height_m=(core["height_mm"] - 2 * coat) * 1e-3,
            corner_area_m2=(4 - np.pi) * (core.get("edge_radius_mm", 0.0) * 1e-3) ** 2,
            stacking_factor=core.get("stacking_factor", 1.0),
        )

    @property
    def width_m(self) -> float:
        """Radial width of the section."""
        return (self.outer_m - self.inner_m) / 2

    @property
    def area_m2(self) -> float:
        """Magnetic area of the section."""
        return (self.width_m * self.height_m - self.corner_area_m2) * self.stacking_factor

    @property
    def path_m(self) -> float:
        """Path length that gives one turn its inductance μ0 A/l: the integral of 1/r over the section."""
        log = np.log(self.outer_m / self.inner_m)
        return float(2 * np.pi * self.width_m / log)

    @property
    def thickness_m(self) -> float:
        """Thickness of the plate whose first resonance lies where that of the rectangular section does."""
        return plate_thickness(self.width_m, self.height_m)

    @property
    def volume_m3(self) -> float:
        """Volume of the magnetic body."""
        return float(np.pi * (self.outer_m + self.inner_m) / 2 * self.area_m2)


def permeability(frequency_hz: Real, item: Table) -> Complex:
    """Return the true μ (F,) of the core as a winding sees it: body and crack included."""
    ring = Ring.of(item["core"])
    mu = magnetisation(frequency_hz, item["magnetic"])
    if "section" in item:
        admittivity = body_admittivity(frequency_hz, item["section"])
        mu = body_ladder(frequency_hz, mu, admittivity, ring.thickness_m)
    if "crack_um" in item:
        mu = 1 / (1 / mu + item["crack_um"] * 1e-6 / ring.path_m)
    return mu


def empty_inductance(item: Table) -> float:
    """Return L0 of the winding in H: the core's own place filled with air."""
    ring = Ring.of(item["core"])
    return float(MU_0 * item["winding"]["turns"] ** 2 * ring.area_m2 / ring.path_m)


def winding_impedance(frequency_hz: Real, item: Table, temperature_c: float) -> Complex:
    """Return the copper's impedance (F,) in Ω: wire and leads."""
    winding = item["winding"]
    diameter_m, length_m = winding["wire_diameter_mm"] * 1e-3, winding["wire_length_mm"] * 1e-3
    leads = 2j * np.pi * frequency_hz * LEAD_H_PER_M * winding["lead_length_mm"] * 1e-3
    return wire_impedance(frequency_hz, diameter_m, length_m, temperature_c) + leads


def impedance(frequency_hz: Real, item: Table, temperature_c: float) -> Complex:
    """Return the true impedance (F,) at the terminals, Ω."""
    omega = 2 * np.pi * frequency_hz
    core = 1j * omega * empty_inductance(item) * permeability(frequency_hz, item)
    branch = core + winding_impedance(frequency_hz, item, temperature_c)
    return 1 / (1 / branch + 1j * omega * item["winding"]["capacitance_pf"] * 1e-12)


# --- a core of a grade --------------------------------------------------------------------------------------


def core_elements(grade: Table, item: Table, bench: Table) -> Table:
    """Return the circuit elements of one core: the grade's, scaled, shifted, and each with its own deviation.

    The strengths keep the sum the scale asks for; frequencies go with the corner, and so does 1/d² of a tape.
    """
    draw = _generator(bench, "core " + item["id"]).standard_normal
    size = bench["element_spread"]
    shifts = {"x": 1.0, "f": item["corner"], "q": 1.0, "d": item["corner"] ** -0.5, "r": 1.0}
    made = {
        kind: [
            [
                value * shifts[name] * np.exp(size * draw())
                for name, value in zip(FACTOR_NAMES[kind], element, strict=True)
            ]
            for element in elements
        ]
        for kind, elements in grade["magnetic"].items()
    }
    factor = item["scale"] * total_strength(grade["magnetic"]) / total_strength(made)
    for elements in made.values():
        for element in elements:
            element[0] *= factor
    return made


def total_strength(elements: Table) -> float:
    """Return the static susceptibility of a circuit."""
    return float(sum(element[0] for kind in elements.values() for element in kind))


def curve_text(grade: Table, bench: Table) -> str:
    """Return the reference curve CSV of a grade: the known core's body and all, loss positive."""
    frequency_hz = frequencies(bench | {"from_hz": bench["curve_from_hz"], "to_hz": bench["curve_to_hz"]})
    mu = magnetisation(frequency_hz, grade["magnetic"])
    if "section" in grade:
        admittivity = body_admittivity(frequency_hz, grade["section"])
        thickness_m = plate_thickness(*(side * 1e-3 for side in grade["known_section_mm"]))
        mu = body_ladder(frequency_hz, mu, admittivity, thickness_m)
    rows = zip(frequency_hz, mu.real, -mu.imag, strict=True)
    return "frequency_hz,mu_real,mu_imag\n" + "".join(f"{f:.6g},{a:.5g},{b:.5g}\n" for f, a, b in rows)


def material_text(grade: Table, bench: Table) -> str:
    """Return the material TOML of a grade."""
    lines = [f'{key} = "{grade[key]}"' for key in ("id", "name", "class")]
    lines += [
        f"initial_permeability = {1 + total_strength(grade['magnetic']):.6g}",
        f'tolerance = "{grade["tolerance"]}"',
        f'curve = "{grade["id"]}.csv"',
        'source = "Invented for the demonstration: computed from a circuit by docs/make_demo_bins.py."',
        'licence = "MIT"',
        f'density = "{grade["density_g_per_cm3"]:g} g/cm3"',
        f'temperature = "{bench["temperature_c"]:.1f} degC"',
        f"applications = [{', '.join(chr(34) + use + chr(34) for use in grade['applications'])}]",
    ]
    if "known_section_mm" in grade:
        lines.append('section = "{:g} mm x {:g} mm"'.format(*grade["known_section_mm"]))
    return "\n".join(lines) + "\n"


# --- the bench ----------------------------------------------------------------------------------------------


def calibration_sources(frequency_hz: Real, z: Complex) -> dict[str, Complex]:
    """Return what one standard uncertainty of each calibration error does to Z (F,), Ω."""
    omega = 2 * np.pi * frequency_hz
    return {
        "load_resistance": 1.0e-3 * z,  # 0.1 % of the load
        "load_inductance": 1j * omega * 1.0e-9 / 50.0 * z,  # 1 nH in 50 Ω
        "short_resistance": np.full_like(z, 0.2e-3),  # contact of the short
        "short_inductance": 1j * omega * 0.8e-9,
    }


def drive(frequency_hz: Real, z: Complex, item: Table) -> tuple[Real, Real]:
    """Return peak current in A and peak flux density in T (F,): the level wanted or the one reached."""
    core = 2 * np.pi * frequency_hz * empty_inductance(item) * np.abs(permeability(frequency_hz, item))
    per_ampere = core / (2 * np.pi * frequency_hz * item["winding"]["turns"] * Ring.of(item["core"]).area_m2)
    reachable = LARGEST_EMF_V / np.abs(z + item["shunt_ohm"] + SOURCE_OHM)
    current = np.minimum(FLUX_DENSITY_T / per_ampere, reachable)
    return current, current * per_ampere


def noise_ohm(z: Complex, current_a: Real, shunt_ohm: float) -> Real:
    """Return the standard deviation (F,) of real and imaginary part from scatter and channel noise, Ω."""
    v_a = np.abs(z + shunt_ohm) * current_a
    v_b = shunt_ohm * current_a
    relative = np.sqrt(RATIO_U**2 + (CHANNEL_U_V / v_a) ** 2 + (CHANNEL_U_V / v_b) ** 2)
    return np.asarray(np.abs(z + shunt_ohm) * relative)


def frequencies(bench: Table) -> Real:
    """Return the sweep's frequencies (F,), Hz, on the round numbers a source is set to."""
    grid = np.geomspace(bench["from_hz"], bench["to_hz"], bench["points"])
    return np.array([float(f"{value:.3g}") for value in grid])


def sweep_text(item: Table, bench: Table) -> str:
    """Return the sweep CSV of one core."""
    frequency_hz = frequencies(bench)
    z = impedance(frequency_hz, item, bench["temperature_c"])
    current, flux_density = drive(frequency_hz, z, item)
    sigma = noise_ohm(z, current, item["shunt_ohm"])
    # one draw for all sweeps: the calibration is frozen
    frozen = _generator(bench, "calibration").standard_normal(len(calibration_sources(frequency_hz, z)))
    scatter = _generator(bench, "sweep " + item["id"]).standard_normal((2, frequency_hz.size)) * sigma
    measured = z + scatter[0] + 1j * scatter[1]
    measured = measured + sum(
        xi * s for xi, s in zip(frozen, calibration_sources(frequency_hz, z).values(), strict=True)
    )
    sources = calibration_sources(frequency_hz, measured)
    names = [f"s_{part}_{name}_ohm" for name in sources for part in ("real", "imag")]
    columns = [measured.real, measured.imag, sigma, sigma, flux_density]
    columns += [np.arange(frequency_hz.size) * SECONDS_PER_POINT]
    columns += [part for s in sources.values() for part in (s.real, s.imag)]
    head = "frequency_hz,impedance_real_ohm,impedance_imag_ohm,u_real_ohm,u_imag_ohm,flux_density_t,time_s,"
    rows = zip(frequency_hz, *columns, strict=True)
    body = "\n".join(f"{row[0]:.6g}," + ",".join(f"{value:.5e}" for value in row[1:]) for row in rows)
    return _sweep_header(item, bench, ", ".join(sources)) + head + ",".join(names) + "\n" + body + "\n"


def _sweep_header(item: Table, bench: Table, shared: str) -> str:
    lines = {
        "format": "whichcore-sweep 1",
        "specimen": f"bin-{item['id']}.toml",
        "wiring": "shunt-at-ground",
        "temperature": f"{bench['temperature_c']:.1f} degC",
        "calibration": "open-short-load",
        "common_across_specimens": shared,
        "bench": f"invented, shunt {item['shunt_ohm']:g} ohm",
        "origin": "computed from an invented circuit by docs/make_demo_bins.py",
    }
    return "".join(f"# {key}: {value}\n" for key, value in lines.items())


def _generator(bench: Table, purpose: str) -> np.random.RandomState:
    """Return a generator of its own for each purpose, of the one kind whose numbers numpy has frozen."""
    return np.random.RandomState([bench["seed"], *purpose.encode()])


# --- what the two write down --------------------------------------------------------------------------------


def specimen_text(item: Table, bench: Table) -> str:
    """Return the specimen TOML of one core: what a caliper, a scale and a meter say of it."""
    draw = _generator(bench, "specimen " + item["id"]).standard_normal
    core = item["core"]
    lines = ["[core]", 'shape = "ring"']
    lines += [
        f'{name} = "{core[name + "_mm"] + DIMENSION_U_MM * draw():.2f} mm"'
        for name in ("outer_diameter", "inner_diameter", "height")
    ]
    lines.append(f'dimension_uncertainty = "{DIMENSION_U_MM:.2f} mm"')
    if "edge_radius_mm" in core:
        lines.append(f'edge_radius = "{core["edge_radius_mm"]:.1f} mm"')
    lines += _cover_lines(core)
    if "case" not in core:
        lines.append(f'mass = "{_grams(core) + MASS_U_G * draw():.2f} g"')
    if "surface_resistance" in item:
        lines.append(f'surface_resistance = "{item["surface_resistance"]}"')
    lines.append(f'temperature = "{bench["temperature_c"]:.1f} degC"')
    return "\n".join([*lines, "", *_winding_lines(item, bench, float(draw())), ""])


def _grams(core: Table) -> float:
    """Return what the scale carries: the body and its coat."""
    body = Ring.of(core)
    whole = np.pi * (core["outer_diameter_mm"] ** 2 - core["inner_diameter_mm"] ** 2) / 4 * core["height_mm"]
    coat_cm3 = whole / 1e3 - np.pi * (body.outer_m**2 - body.inner_m**2) / 4 * body.height_m * 1e6
    return float(body.volume_m3 * 1e6 * core["density_g_per_cm3"] + coat_cm3 * COAT_G_PER_CM3)


def _cover_lines(core: Table) -> list[str]:
    if "case" in core:
        return [f'case = "{core["coating_mm"]:.1f} mm"', f"stacking_factor = {core['stacking_factor']:g}"]
    return [f'coating_thickness = "{core["coating_mm"]:.2f} mm"'] if "coating_mm" in core else []


def _winding_lines(item: Table, bench: Table, reading_error: float) -> list[str]:
    winding = item["winding"]
    copper = winding_impedance(np.array([1e-3]), item, bench["temperature_c"]).real[0]
    return [
        "[winding]",
        f"turns = {winding['turns']}",
        f'wire_diameter = "{winding["wire_diameter_mm"]:g} mm"',
        f'wire_length = "{winding["wire_length_mm"]:g} mm"',
        f'lead_length = "{winding["lead_length_mm"]:g} mm"',
        f'dc_resistance = "{copper * (1 + FOUR_WIRE_U * reading_error) * 1e3:.2f} mohm"',
    ]


def reading_text(item: Table, bench: Table) -> str:
    """Return the one reading of the core that could not stay, in the form the command line takes."""
    frequency_hz = np.array([item["reading_hz"]])
    z = impedance(frequency_hz, item, bench["temperature_c"])[0]
    henry = z.imag / (2 * np.pi * item["reading_hz"])
    error = METER_U * _generator(bench, "reading " + item["id"]).standard_normal()
    value, u = (f"{part * 1e6:.1f} uH" for part in (henry * (1 + error), henry * METER_U))
    return f"{value} ± {u} @ {item['reading_hz'] / 1e3:g} kHz"


def demo_files(truth: Table) -> dict[str, str]:
    """Return every generated file by name."""
    made: dict[str, str] = {}
    for item in truth["bin"]:
        made[f"bin-{item['id']}.toml"] = specimen_text(item, truth["bench"])
        if "reading_hz" not in item:
            made[f"bin-{item['id']}.csv"] = sweep_text(item, truth["bench"])
    for grade in truth["grade"]:
        made[f"library/{grade['id']}.toml"] = material_text(grade, truth["bench"])
        made[f"library/{grade['id']}.csv"] = curve_text(grade, truth["bench"])
    return made


def load_truth() -> Table:
    """Return the answer sheet, with the circuit of each core worked out from its grade."""
    truth = tomllib.loads((DEMO_BINS / "truth.toml").read_text(encoding="utf-8"))
    grades = {grade["id"]: grade for grade in truth["grade"]}
    for item in truth["bin"]:
        if "grade" in item:
            grade = grades[item["grade"]]
            item["magnetic"] = core_elements(grade, item, truth["bench"])
            item.update({key: grade[key] for key in ("class", "section") if key in grade})
    return truth


def main() -> None:
    """Write the files; the readings of bins.toml are written by hand and held to `reading_text` by a test."""
    truth = load_truth()
    for name, text in demo_files(truth).items():
        path = DEMO_BINS / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    for item in truth["bin"]:
        if "reading_hz" in item:
            sys.stdout.write(f"bin {item['id']} in bins.toml reads: {reading_text(item, truth['bench'])}\n")


if __name__ == "__main__":
    main()
