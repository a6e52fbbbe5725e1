"""Error models: one contract for all of them, and outside checks.

The readings come from a circuit written down here node by node, not from the models' own ``embed``.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
import skrf
from scipy.stats import chi2
from skrf.calibration import OnePort

from whichcore.analysis.types import ErrorSource, ImpedanceSweep, PhasorPair, Scope, Wiring
from whichcore.calibration.error_model import ErrorModel
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.models import MODELS, model_from_dict
from whichcore.calibration.open_short import OpenShort
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.perturbation import Perturbation, merge
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.shunt import RangeFactor, Shunt
from whichcore.calibration.standards import Capacitor, Known, Load, Open, Short, Toleranced
from whichcore.errors import AnalysisError, CalibrationError, InputError

GRID = np.geomspace(1e3, 3e6, 200)
SHUNT = Shunt(Toleranced.within(10.0, 0.01), Toleranced(5e-9, 1e-9), Toleranced(15e-12, 2e-12))
GROUND, BELOW, TWO = Wiring.SHUNT_AT_GROUND, Wiring.SPECIMEN_AT_GROUND, Wiring.TWO_WINDINGS

OPEN = Open(Toleranced(0.2e-12, 0.05e-12))
SHORT = Short(Toleranced(1e-3, 3e-4), Toleranced(2e-9, 5e-10))
LOAD = Load(Toleranced.within(50.0, 0.05), Toleranced(3e-9, 1e-9), Toleranced(1e-12, 3e-13))
PAD = Load(Toleranced.within(200.0, 0.2), Toleranced(3e-9, 1e-9), name="second load")
GOOD_CAPACITOR = Capacitor(Toleranced.within(1e-9, 5e-12), Toleranced(2e-4, 1e-4))


@dataclass(frozen=True)
class Bench:
    """The true circuit: channel gain and lead network of the bench, both possibly unknown to the model."""

    wiring: Wiring
    network: bool = False
    strange: bool = False

    def read(self, p, q, f, level=0.3 - 0.1j, shunt=(10.0, 5e-9, 15e-12)) -> PhasorPair:
        """Return noise-free voltages of p/q; the shunt's R, L and C at node B are numbers or arrays (F,)."""
        jw = 2j * np.pi * f
        p, q = p * np.ones_like(jw), q * np.ones_like(jw)
        if self.network:
            y = 1e-5 + jw * 200e-12
            p, q = p + (2.0 + jw * 400e-9) * (y * p + q), y * p + q
        zs, stray = shunt[0] + jw * shunt[1], jw * shunt[2]
        if self.wiring is BELOW:
            q = q + stray * p
            a, b = p + zs * q, p
        else:
            b = q / (1 / zs + stray)
            a = p if self.wiring is TWO else p + b
        if self.strange:  # channels of different gain and delay, with some crosstalk between them
            a, b = 1.02 * a * np.exp(jw * 2e-9) + 1e-3 * b, b + 2e-4j * a
        scale = level / np.hypot(abs(a), abs(b))
        return PhasorPair(f, a * scale, b * scale, np.zeros((f.size, 4, 4)))


@dataclass(frozen=True)
class Case:
    model: type[ErrorModel]
    bench: Bench
    standards: tuple = ()

    def setup(self, f=GRID) -> Setup:
        shunt = None if self.model is OpenShortLoad else SHUNT
        return Setup(Fingerprint(self.bench.wiring), f, shunt=shunt)

    def measure(self, f=GRID, noise: Callable[[PhasorPair], PhasorPair] = lambda pair: pair):
        parts = [(item, item.homogeneous(f)) for item in self.standards]
        return [Measured(item, noise(self.bench.read(part.p, part.q, f))) for item, part in parts]

    def solve(self, f=GRID, noise=lambda pair: pair) -> ErrorModel:
        return self.model.solve(self.measure(f, noise), self.setup(f))


CASES = {
    "ratio, shunt at ground": Case(Ratio, Bench(GROUND)),
    "ratio, specimen at ground": Case(Ratio, Bench(BELOW)),
    "ratio, two windings": Case(Ratio, Bench(TWO)),
    "open-short, shunt at ground": Case(OpenShort, Bench(GROUND, network=True), (OPEN, SHORT)),
    "open-short, specimen at ground": Case(OpenShort, Bench(BELOW, network=True), (SHORT, OPEN)),
    "open-short-load, shunt at ground": Case(
        OpenShortLoad, Bench(GROUND, network=True, strange=True), (OPEN, SHORT, LOAD)
    ),
    "open-short-load, specimen at ground": Case(
        OpenShortLoad, Bench(BELOW, network=True, strange=True), (OPEN, SHORT, LOAD)
    ),
    "five standards": Case(
        OpenShortLoad,
        Bench(GROUND, network=True, strange=True),
        (OPEN, SHORT, LOAD, PAD, GOOD_CAPACITOR),
    ),
}
SOLVED = {name: case for name, case in CASES.items() if case.standards}
every_model = pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
every_solved = pytest.mark.parametrize("case", SOLVED.values(), ids=SOLVED.keys())


def specimen(f):
    """Return a lossy inductor: 62 mΩ and 80 µH relaxing at 1 MHz (analytic)."""
    return 0.062 + 2j * np.pi * f * 80e-6 / (1 + 1j * f / 1e6)


def noisy(rng, size=1e-5):
    """Return a function adding correlated, not circular, noise and its covariance to a pair."""

    def add(pair: PhasorPair) -> PhasorPair:
        shape = rng.normal(size=(4, 4)) * np.array([1.0, 0.3, 0.7, 0.2])[:, None]
        level = size * rng.uniform(0.5, 2.0, pair.frequency_hz.size)
        drawn = (rng.normal(size=(pair.frequency_hz.size, 4)) @ shape.T) * level[:, None]
        return replace(
            pair,
            voltage_a_v=pair.voltage_a_v + drawn[:, 0] + 1j * drawn[:, 1],
            voltage_b_v=pair.voltage_b_v + drawn[:, 2] + 1j * drawn[:, 3],
            covariance=pair.covariance + (shape @ shape.T) * (level**2)[:, None, None],
        )

    return add


def point_columns(sweep: ImpedanceSweep):
    """Return the sources of frozen noise as real columns (F, 2, K)."""
    found = [s.sensitivity for s in sweep.sources if s.scope is Scope.SPECIMENS_POINT]
    if not found:
        return np.zeros((sweep.frequency_hz.size, 2, 1))
    return np.stack([np.stack([s.real, s.imag], axis=-1) for s in found], axis=-1)


def as_vector(z):
    return np.stack([z.real, z.imag], axis=-1)


def source(sweep: ImpedanceSweep, name: str):
    return next(s for s in sweep.sources if s.id == name)


# -- the contract of every model -----------------------------------------------------------------------------


def test_contract_covers_every_model():
    assert {case.model for case in CASES.values()} == set(MODELS.values())
    assert {case.bench.wiring for case in CASES.values()} == set(Wiring)


@every_model
def test_recovers_a_known_device(case):
    model = case.solve()
    z = specimen(GRID)
    swept = model.correct(case.bench.read(z, 1.0, GRID))
    # analytic: no noise, only rounding: 2e-16 times an amplification up to 50 and a condition up to 7, some
    # ten operations long
    np.testing.assert_allclose(swept.impedance_ohm, z, rtol=1e-12)
    assert np.all(model.condition < 10)
    assert swept.wiring == str(case.bench.wiring)
    assert swept.notes["error_model"] == case.model.kind


@every_model
def test_does_not_care_for_the_level_of_each_reading(case):
    z = specimen(GRID)
    one = case.solve().correct(case.bench.read(z, 1.0, GRID, level=1e-3))
    two = case.solve().correct(case.bench.read(z, 1.0, GRID, level=2.0 + 1j))
    np.testing.assert_allclose(one.impedance_ohm, two.impedance_ohm, rtol=1e-9)


@every_model
def test_embed_then_correct_is_identity(case):
    model = case.solve()
    z = specimen(GRID)
    np.testing.assert_allclose(model.correct(model.embed(z)).impedance_ohm, z, rtol=1e-10)


@every_model
def test_embed_is_what_the_circuit_reads(case):
    z = specimen(GRID)
    made, read = case.solve().embed(z), case.bench.read(z, 1.0, GRID)
    np.testing.assert_allclose(
        made.voltage_a_v * read.voltage_b_v, made.voltage_b_v * read.voltage_a_v, atol=1e-12
    )


@every_model
def test_an_open_is_read_without_infinite_ratio(case):
    p, q = case.solve().homogeneous(case.bench.read(1.0, 0.0, GRID))
    assert np.max(abs(q / p)) < 1e-11  # analytic: zero admittance, S


@every_model
def test_survives_storage_without_pickle(case):
    model = case.solve(noise=noisy(np.random.default_rng(3)))
    file = io.BytesIO()
    np.savez(file, **model.to_dict())
    file.seek(0)
    with np.load(file, allow_pickle=False) as stored:
        back = model_from_dict(dict(stored))
    assert type(back) is type(model)
    assert (back.fingerprint, back.standards, back.plane) == (model.fingerprint, model.standards, model.plane)
    pair = noisy(np.random.default_rng(4))(case.bench.read(specimen(GRID), 1.0, GRID))
    one, two = model.correct(pair), back.correct(pair)
    np.testing.assert_array_equal(one.impedance_ohm, two.impedance_ohm)
    np.testing.assert_array_equal(one.scatter, two.scatter)
    for s, t in zip(one.sources, two.sources, strict=True):
        assert (s.id, s.scope, s.distribution) == (t.id, t.scope, t.distribution)
        np.testing.assert_array_equal(s.sensitivity, t.sensitivity)
    for name, value in model.details.items():
        np.testing.assert_array_equal(back.details[name], value)


@every_model
def test_refuses_damaged_storage(case):
    stored = case.solve().to_dict()
    with pytest.raises(CalibrationError, match="missing matrix"):
        case.model.from_dict({key: value for key, value in stored.items() if key != "matrix"})
    with pytest.raises(CalibrationError, match="wrong shape"):
        case.model.from_dict(stored | {"matrix": np.zeros((3, 2, 2))})
    with pytest.raises(CalibrationError, match="not the calibration asked for"):
        case.model.from_dict(stored | {"format": np.array("whichcore-calibration 99")})
    with pytest.raises(CalibrationError, match="unknown kind"):
        model_from_dict(stored | {"kind": np.array("guess")})
    with pytest.raises(CalibrationError, match="not finite"):
        case.model.from_dict(stored | {"matrix": stored["matrix"] * np.nan})


@every_model
def test_refuses_other_frequencies_and_takes_some_of_its_own(case):
    model = case.solve()
    f = GRID[50:60]
    swept = model.correct(case.bench.read(specimen(f), 1.0, f))
    np.testing.assert_allclose(swept.impedance_ohm, specimen(f), rtol=1e-9)
    shifted = f * 1.001
    with pytest.raises(CalibrationError, match="no calibration at this frequency"):
        model.correct(case.bench.read(specimen(shifted), 1.0, shifted))


@every_model
def test_refuses_an_open_specimen(case):
    quiet = replace(case.bench.read(1.0, 0.0, GRID), covariance=np.eye(4) * 1e-10 * np.ones((200, 1, 1)))
    with pytest.raises(AnalysisError, match="cannot be told from an open"):
        case.solve().correct(quiet)


@every_solved
def test_refuses_a_standard_measured_twice_in_place_of_another(case):
    readings = case.measure(noise=noisy(np.random.default_rng(5)))
    shorted = next(item for item in readings if item.standard is SHORT)
    twin = noisy(np.random.default_rng(6))(case.bench.read(0.0, 1.0, GRID))
    wrong = [
        item if item is shorted or item.standard is SHORT else replace(item, pair=twin) for item in readings
    ]
    named = r"(short|open).*within the noise"
    if case.setup().shunt is not None:  # which tells even which of the two it was
        named = "the open reads like the short"
    with pytest.raises(CalibrationError, match=named):
        case.model.solve(wrong, case.setup())


@every_solved
def test_refuses_another_grid_and_bad_readings(case):
    readings = case.measure()
    short_grid = replace(
        readings[0].pair,
        frequency_hz=GRID[:-1],
    )
    with pytest.raises(CalibrationError, match=f"^{readings[0].standard.name}: a standard was not measured"):
        case.model.solve([Measured(readings[0].standard, short_grid), *readings[1:]], case.setup())
    broken = readings[1].pair.voltage_a_v.copy()
    broken[7] = np.nan
    bad = replace(readings[1], pair=replace(readings[1].pair, voltage_a_v=broken))
    with pytest.raises(InputError, match=f"{readings[1].standard.name}, {GRID[7]:g} Hz: .*not finite"):
        case.model.solve([readings[0], bad, *readings[2:]], case.setup())


@pytest.mark.parametrize("seed", [11, 12, 13])
@every_model
def test_covariance_against_monte_carlo(case, seed):
    """Computed: 40 independent draws at each of 200 frequencies, standards and two specimens all noisy."""
    draws = 40
    f = (GRID[:, None] * (1 + 1e-9 * np.arange(draws))).ravel()
    noise = noisy(np.random.default_rng(seed))
    model = case.solve(f, noise)
    first, second = specimen(f), 30.0 + 0.1j * specimen(f)
    errors, white = [], []
    for z in (first, second):
        swept = model.correct(noise(case.bench.read(z, 1.0, f)))
        shared = point_columns(swept)
        lower = np.linalg.cholesky(swept.scatter + shared @ np.swapaxes(shared, 1, 2))
        errors.append(np.linalg.solve(lower, as_vector(swept.impedance_ohm - z)[:, :, None])[:, :, 0])
        white.append(np.linalg.solve(lower, shared))
    count = f.size
    for e in errors:
        # the mean of unit-variance squares has the standard deviation √(2/n), of products 1/√n; five of them
        assert np.max(abs((e[:, :, None] * e[:, None, :]).mean(axis=0) - np.eye(2))) < 5 * np.sqrt(2 / count)
        by_frequency = (e**2).reshape(200, -1).sum(axis=1)
        low, high = chi2.ppf([1e-7, 1 - 1e-7], 2 * draws)
        assert low < by_frequency.min()
        assert by_frequency.max() < high
    # what two specimens have in common through one calibration
    common = np.einsum("fik,fjk->fij", *white).mean(axis=0)
    found = np.einsum("fi,fj->ij", *errors) / count
    assert np.max(abs(found - common)) < 5 * np.sqrt(2 / count)


PARAMETERS = [
    (OPEN, "capacitance_f", "capacitance"),
    (SHORT, "resistance_ohm", "resistance"),
    (SHORT, "inductance_h", "inductance"),
    (LOAD, "resistance_ohm", "resistance"),
    (LOAD, "inductance_h", "inductance"),
    (LOAD, "capacitance_f", "capacitance"),
    (GOOD_CAPACITOR, "capacitance_f", "capacitance"),
    (GOOD_CAPACITOR, "loss_tangent", "loss tangent"),
]


@every_solved
def test_sensitivity_to_each_standard_against_a_shifted_standard(case):
    """Analytic: a value stated higher by a thousandth of its uncertainty moves Z by that share."""
    readings = case.measure()
    pair = case.bench.read(specimen(GRID), 1.0, GRID)
    before = case.model.solve(readings, case.setup()).correct(pair)
    for part, attribute, label in PARAMETERS:
        if part not in case.standards:
            continue
        value = getattr(part, attribute)
        step = 1e-3 * value.standard_uncertainty
        shifted = replace(part, **{attribute: replace(value, value=value.value + step)})
        changed = [replace(r, standard=shifted) if r.standard is part else r for r in readings]
        moved = case.model.solve(changed, case.setup()).correct(pair).impedance_ohm - before.impedance_ohm
        stated = source(before, f"standard {part.name}: {label}")
        assert stated.scope is Scope.SPECIMENS
        assert stated.distribution is value.distribution
        scale = np.max(abs(stated.sensitivity))
        np.testing.assert_allclose(moved / 1e-3, stated.sensitivity, rtol=2e-3, atol=1e-4 * scale)


SHUNT_CASES = {name: case for name, case in CASES.items() if case.model is not OpenShortLoad}


@pytest.mark.parametrize("case", SHUNT_CASES.values(), ids=SHUNT_CASES.keys())
def test_sensitivity_to_the_shunt_and_channels_against_a_shifted_value(case):
    readings = case.measure()
    pair = case.bench.read(specimen(GRID), 1.0, GRID)
    u_gain, u_phase = np.full(200, 1e-3), GRID * 1e-9
    setup = replace(case.setup(), channels=RangeFactor(np.ones(200, dtype=complex), u_gain, u_phase))
    before = case.model.solve(readings, setup).correct(pair)

    def agrees(changed: Setup, name: str):
        moved = case.model.solve(readings, changed).correct(pair).impedance_ohm - before.impedance_ohm
        stated = source(before, name).sensitivity
        scale = np.max(abs(stated))
        np.testing.assert_allclose(moved / 1e-3, stated, rtol=2e-3, atol=1e-4 * scale)

    for attribute in ("resistance", "inductance", "capacitance"):
        field = {
            "resistance": "resistance_ohm",
            "inductance": "inductance_h",
            "capacitance": "capacitance_f",
        }[attribute]
        value = getattr(SHUNT, field)
        step = replace(value, value=value.value + 1e-3 * value.standard_uncertainty)
        agrees(replace(setup, shunt=replace(SHUNT, **{field: step})), f"shunt: {attribute}")
    gain = RangeFactor(1 / (1 + 1e-3 * u_gain + 0j), u_gain, u_phase)
    phase = RangeFactor(np.exp(-1e-3j * u_phase), u_gain, u_phase)
    agrees(replace(setup, channels=gain), "channels: gain")
    agrees(replace(setup, channels=phase), "channels: phase")


# -- published and independent numbers -----------------------------------------------------------------------


def raw_pair(impedance, shunt=10.0) -> PhasorPair:
    """Return a pair that reads as this impedance with a plain shunt at ground."""
    z = np.atleast_1d(np.asarray(impedance, dtype=complex))
    f = np.array([1e5])
    return PhasorPair(f, 1 + z / shunt, np.ones_like(z), np.zeros((1, 4, 4)))


def test_open_short_worked_example():
    """Computed example of a series-then-shunt network; printed to 4 and 5 decimals."""
    setup = Setup(Fingerprint(GROUND), np.array([1e5]), shunt=Shunt(10.0))
    opened, shorted = Open(), Short()
    model = OpenShort.solve(
        [Measured(opened, raw_pair(249.5766 - 4987.0312j)), Measured(shorted, raw_pair(0.2 + 0.5j))], setup
    )
    # Z_o is printed to 5e-5 of 5000: Y is good to 1e-8 of 2e-4, Z to 5e-6 (its own print) + |Z|² δY
    np.testing.assert_allclose(model.details["shunt_admittance_s"], 1e-5 + 2e-4j, rtol=3e-8)
    z = model.correct(raw_pair(33.17298 + 208.49356j)).impedance_ohm
    assert abs(z - (30 + 200j)) < 1e-5
    made = model.embed(np.array([30 + 200j]))
    read = 10 * (made.voltage_a_v / made.voltage_b_v - 1)
    assert abs(read - (33.17298 + 208.49356j)) < 1e-5
    # memory: the closed formula of the same network
    zo, zs, zx = 249.5766 - 4987.0312j, 0.2 + 0.5j, 33.17298 + 208.49356j
    assert z == pytest.approx((zx - zs) * (zo - zs) / (zo - zx), rel=1e-12)


def test_open_short_load_closed_formula():
    """Memory: Z = Z_std (Z_o − Z_sm)(Z_xm − Z_s)/[(Z_sm − Z_s)(Z_o − Z_xm)] for an ideal open and short."""
    rng = np.random.default_rng(8)
    zo, zs, zl, zx = (rng.normal(size=(4, 200)) + 1j * rng.normal(size=(4, 200))) * np.array(
        [[900.0], [0.4], [40.0], [120.0]]
    )
    zero = np.zeros((200, 4, 4))
    pairs = [PhasorPair(GRID, 1 + z / 10, np.ones(200, dtype=complex), zero) for z in (zo, zs, zl, zx)]
    parts = (Open(), Short(), Load(50.0))
    model = OpenShortLoad.solve(
        [Measured(s, p) for s, p in zip(parts, pairs, strict=False)], Setup(Fingerprint(GROUND), GRID)
    )
    expected = 50 * (zo - zl) * (zx - zs) / ((zl - zs) * (zo - zx))
    np.testing.assert_allclose(model.correct(pairs[3]).impedance_ohm, expected, rtol=1e-9)


@pytest.mark.parametrize("parts", [(OPEN, SHORT, LOAD), (OPEN, SHORT, LOAD, PAD, GOOD_CAPACITOR)])
def test_against_an_independent_one_port_calibration(parts):
    """Independent code: one-port error boxes of scikit-rf, three terms, random at each of 200 frequencies."""
    rng = np.random.default_rng(21)
    frequency = skrf.Frequency.from_f(GRID, unit="Hz")
    box = rng.normal(size=(3, 200)) + 1j * rng.normal(size=(3, 200))
    directivity, tracking, match = 0.2 * box[0], 1 + 0.3 * box[1], 0.1 * box[2]

    def reflection(z):
        return (z - 50) / (z + 50)

    def network(s):
        return skrf.Network(frequency=frequency, s=s.reshape(-1, 1, 1))

    def pair(m):
        """Return voltages whose ratio is the measured reflection: both are linear in what is connected."""
        return PhasorPair(GRID, m, np.ones(200, dtype=complex), np.zeros((200, 4, 4)))

    ideals, measured, ours = [], [], []
    for part in (*parts, None):
        if part is None:
            gamma = reflection(specimen(GRID))
        else:
            h = part.homogeneous(GRID)
            gamma = (h.p - 50 * h.q) / (h.p + 50 * h.q)
        m = directivity + tracking * gamma / (1 - match * gamma)
        measured.append(network(m))
        ours.append(pair(m))
        ideals.append(network(gamma))
    theirs = OnePort(ideals=ideals[:-1], measured=measured[:-1])
    theirs.run()
    gamma = theirs.apply_cal(measured[-1]).s[:, 0, 0]
    model = OpenShortLoad.solve(
        [Measured(s, p) for s, p in zip(parts, ours, strict=False)], Setup(Fingerprint(GROUND), GRID)
    )
    corrected = model.correct(ours[-1]).impedance_ohm
    np.testing.assert_allclose(reflection(corrected), gamma, rtol=1e-8)
    np.testing.assert_allclose(corrected, specimen(GRID), rtol=1e-8)


@pytest.mark.parametrize(("shunt", "expected", "half_digit"), [(10.0, 113, 0.5), (100.0, 1120, 5)])
def test_amplification_of_ratio_errors(shunt, expected, half_digit):
    """Computed: ring 25/15/10 mm, 10 turns, L0 102.17 nH, 62 mΩ, μ 100 at 1 kHz, shunt at ground."""
    f = np.array([1e3, 1e6, 3e6])
    z = 0.062 + 2j * np.pi * f * 100 * 102.17e-9
    setup = Setup(Fingerprint(GROUND), f, shunt=Shunt(shunt))
    factor = Ratio.solve((), setup).amplification(z)
    assert abs(factor[0] - expected) <= half_digit
    if shunt == 10.0:
        assert np.all(factor[1:] <= 1.2)
    turned = Ratio.solve((), replace(setup, fingerprint=Fingerprint(BELOW))).amplification(z)
    # analytic: |r|/|r − 1| with r = (Z + Rs)/Z
    np.testing.assert_allclose(turned, abs(z + shunt) / shunt, rtol=1e-12)


@pytest.mark.parametrize(("f", "expected"), [(1e5, 2.2e-4), (1e6, 2.2e-3), (1e7, 2.2e-2)])
def test_error_of_a_plain_shunt_that_is_not_plain(f, expected):
    """Computed by circuit simulation: 5 nH and 15 pF left out of a 10 Ω shunt."""
    setup = Setup(Fingerprint(GROUND), np.array([f]), shunt=Shunt(10.0))
    pair = Bench(GROUND).read(specimen(np.array([f])), 1.0, np.array([f]))
    z = Ratio.solve((), setup).correct(pair).impedance_ohm
    assert abs(z / specimen(np.array([f])) - 1)[0] == pytest.approx(expected, abs=0.05 * expected / 2.2)


# -- what single models promise ------------------------------------------------------------------------------


def test_ratio_refuses_standards_and_wants_a_shunt():
    case = CASES["ratio, shunt at ground"]
    with pytest.raises(CalibrationError, match="takes no standards"):
        Ratio.solve(CASES["open-short, shunt at ground"].measure(), case.setup())
    with pytest.raises(CalibrationError, match="takes the shunt as known"):
        Ratio.solve((), replace(case.setup(), shunt=None))


@pytest.mark.parametrize("name", ["open-short, shunt at ground", "open-short-load, shunt at ground"])
def test_two_windings_take_the_ratio_model_only(name):
    case = CASES[name]
    with pytest.raises(CalibrationError, match="transfer impedance"):
        case.model.solve(case.measure(), replace(case.setup(), fingerprint=Fingerprint(TWO)))


def test_open_short_wants_these_two_and_a_short_that_is_one():
    case = CASES["open-short, shunt at ground"]
    opened, _ = case.measure()
    with pytest.raises(CalibrationError, match="one open and one short"):
        OpenShort.solve([opened, replace(opened, standard=Open(name="other"))], case.setup())
    long_short = Short(1000.0)
    reading = case.bench.read(1000.0, 1.0, GRID)
    far_open = Open(1e-7)
    far = case.bench.read(1.0, far_open.homogeneous(GRID).q, GRID)
    with pytest.raises(CalibrationError, match="too near each other"):
        OpenShort.solve([Measured(far_open, far), Measured(long_short, reading)], case.setup())


def test_open_short_finds_its_network():
    model = CASES["open-short, shunt at ground"].solve()
    jw = 2j * np.pi * GRID
    # analytic: the network of the bench above; Y to the rounding of 1 beside Y Z_shunt at 1 kHz
    np.testing.assert_allclose(model.details["series_impedance_ohm"], 2.0 + jw * 400e-9, rtol=1e-9)
    np.testing.assert_allclose(model.details["shunt_admittance_s"], 1e-5 + jw * 200e-12, rtol=1e-8)


def test_load_that_is_another_short_is_named_with_its_frequency():
    parts = (OPEN, SHORT, Load(1e-3, 2.005e-9))
    case = replace(CASES["open-short-load, shunt at ground"], standards=parts)
    with pytest.raises(CalibrationError, match=r"short and load, .* Hz: the standards are too similar"):
        case.solve()


def crossing_case(place):
    """Return a set of which two parts are one impedance at GRID[place] alone (analytic)."""
    crossing = GRID[place]
    alike = Capacitor(1 / (2 * np.pi * crossing * 50.0), name="capacitor")
    coil = Capacitor(1.0, inductance_h=0.0, name="big")
    other = Load(1e-6, 50.0 / (2 * np.pi * crossing), 2 / (2 * np.pi * crossing * 50.0), name="trap")
    return replace(CASES["open-short-load, shunt at ground"], standards=(alike, other, coil))


def test_standards_alike_at_one_frequency_only_are_left_out_there_and_named():
    case, z = crossing_case(120), specimen(GRID)
    model = case.solve()
    left, why = model.details["left_out_hz"], model.details["left_out_why"]
    assert GRID[120] in left
    assert left.size == 1
    assert all("too similar" in text and "capacitor and trap" in text for text in why)
    kept = np.isin(GRID, left, invert=True)
    np.testing.assert_array_equal(model.frequency_hz, GRID[kept])
    f = GRID[kept]
    swept = model.correct(case.bench.read(specimen(f), 1.0, f))
    np.testing.assert_allclose(swept.impedance_ohm, z[kept], rtol=1e-9)
    with pytest.raises(CalibrationError, match=rf"^{GRID[120]:g} Hz: there is no calibration"):
        model.correct(case.bench.read(z, 1.0, GRID))


def test_left_out_points_survive_storage():
    model = crossing_case(120).solve()
    back = model_from_dict(model.to_dict())
    np.testing.assert_array_equal(back.details["left_out_why"], model.details["left_out_why"])


def test_standards_alike_at_many_frequencies_are_refused():
    case = crossing_case(120)
    f = GRID[117:124]  # one of seven is more than a tenth
    with pytest.raises(CalibrationError, match=r"capacitor and trap, .* Hz: the standards are too similar"):
        case.solve(f)


def test_a_tie_between_the_channels_is_left_out_with_its_points():
    """Open and short read alike at one frequency: the same reading there."""
    case = CASES["open-short, shunt at ground"]
    setup = replace(
        case.setup(), channels=RangeFactor(np.ones(200, dtype=complex), np.full(200, 1e-3), GRID * 1e-9)
    )
    opened, shorted = case.measure()
    a, b = opened.pair.voltage_a_v.copy(), opened.pair.voltage_b_v.copy()
    a[7], b[7] = shorted.pair.voltage_a_v[7], shorted.pair.voltage_b_v[7]
    stuck = replace(opened, pair=replace(opened.pair, voltage_a_v=a, voltage_b_v=b))
    model = OpenShort.solve([stuck, shorted], setup)
    np.testing.assert_array_equal(model.details["left_out_hz"], GRID[[7]])
    assert "within the noise, open and short" in model.details["left_out_why"][0]
    f = model.frequency_hz
    swept = model.correct(case.bench.read(specimen(f), 1.0, f))
    np.testing.assert_allclose(swept.impedance_ohm, specimen(f), rtol=1e-9)
    u_phase = source(swept, "channels: phase").sensitivity
    whole = OpenShort.solve([opened, shorted], setup).correct(case.bench.read(specimen(GRID), 1.0, GRID))
    np.testing.assert_allclose(u_phase, np.delete(source(whole, "channels: phase").sensitivity, 7), rtol=1e-9)


def test_equal_names_and_two_planes_are_refused():
    case = CASES["open-short-load, shunt at ground"]
    opened, shorted, load = case.measure()
    with pytest.raises(CalibrationError, match=r"one name.*open"):
        OpenShortLoad.solve([opened, shorted, replace(load, standard=Load(50.0, name="open"))], case.setup())
    with pytest.raises(CalibrationError, match="too few"):
        OpenShortLoad.solve([opened, shorted], case.setup())
    winding = replace(shorted, standard=Short(plane="empty winding", name="winding"))
    with pytest.raises(CalibrationError, match="different planes"):
        OpenShortLoad.solve([opened, shorted, load, winding], replace(case.setup()))


def test_empty_winding_plane_gives_mu_less_one():
    """Analytic: with the empty winding called zero the core appears as jωL0 (μ − 1)."""
    jw = 2j * np.pi * GRID
    l0, mu = 102.17e-9, 100 / (1 + 1j * GRID / 2e6)
    winding = 0.062 + jw * (30e-9 + l0)
    bench = Bench(BELOW)
    readings = [
        Measured(Open(), bench.read(1.0, 0.0, GRID)),
        Measured(Short(plane="empty winding"), bench.read(winding, 1.0, GRID)),
    ]
    model = OpenShort.solve(readings, Setup(Fingerprint(BELOW), GRID, shunt=SHUNT))
    swept = model.correct(bench.read(0.062 + jw * (30e-9 + l0 * mu), 1.0, GRID))
    np.testing.assert_allclose(swept.impedance_ohm / (jw * l0), mu - 1, rtol=1e-8)
    assert swept.notes["plane"] == "empty winding"


def test_range_factor_ties_another_range_in():
    case = CASES["open-short-load, shunt at ground"]
    model = case.solve()
    z = specimen(GRID)
    gain = 0.97 * np.exp(2j * np.pi * GRID * 3e-9)
    pair = noisy(np.random.default_rng(9))(case.bench.read(z, 1.0, GRID))
    other = replace(pair, voltage_a_v=pair.voltage_a_v * gain, range_labels=("0.1 V / 1 V",) * 200)
    u_gain, u_phase = np.full(200, 2e-3), np.full(200, 1e-3)
    factor = RangeFactor(gain, u_gain, u_phase)
    swept = model.correct(other, factor=factor)
    np.testing.assert_allclose(swept.impedance_ohm, model.correct(pair).impedance_ohm, rtol=1e-9)
    assert swept.range_labels == other.range_labels
    moved = model.correct(other, factor=replace(factor, ratio=gain / (1 + 1e-6))).impedance_ohm
    stated = source(swept, "range factor: gain")
    assert stated.scope is Scope.RANGE
    np.testing.assert_allclose((moved - swept.impedance_ohm) / 1e-6 * 2e-3, stated.sensitivity, rtol=1e-4)
    turned = model.correct(other, factor=replace(factor, ratio=gain * np.exp(-1e-6j))).impedance_ohm
    np.testing.assert_allclose(
        (turned - swept.impedance_ohm) / 1e-6 * 1e-3,
        source(swept, "range factor: phase").sensitivity,
        rtol=1e-4,
    )
    with pytest.raises(CalibrationError, match="finite and not zero"):
        RangeFactor(gain * 0, u_gain, u_phase)


def test_range_factor_turns_the_covariance():
    """Analytic: dividing A by j swaps the variances of its parts."""
    pair = PhasorPair(
        GRID[:1], np.array([1 + 0j]), np.array([1j]), np.diag([1.0, 4.0, 9.0, 16.0])[None] * 1e-8
    )
    turned = RangeFactor(np.array([2j]), np.zeros(1), np.zeros(1)).apply(pair)
    np.testing.assert_allclose(np.diag(turned.covariance[0]) * 1e8, [1.0, 0.25, 9.0, 16.0])


def test_noise_of_one_calibration_is_named_after_it():
    case = CASES["open-short-load, shunt at ground"]
    one = case.solve(noise=noisy(np.random.default_rng(1)))
    again = case.solve(noise=noisy(np.random.default_rng(1)))
    two = case.solve(noise=noisy(np.random.default_rng(2)))
    frozen = [{p.id for p in m.perturbations if p.scope is Scope.SPECIMENS_POINT} for m in (one, again, two)]
    assert frozen[0] == frozen[1]
    assert not frozen[0] & frozen[2]
    assert len(frozen[0]) == 6
    tolerances = [{p.id for p in m.perturbations if p.scope is Scope.SPECIMENS} for m in (one, two)]
    assert tolerances[0] == tolerances[1]


# -- more than three standards -------------------------------------------------------------------------------

FIVE = CASES["five standards"]


def quiet(seed):
    return noisy(np.random.default_rng(seed), size=1e-5)


@pytest.mark.parametrize("seed", range(10))
def test_a_sound_set_is_accepted_and_its_misfit_is_one(seed):
    model = FIVE.solve(noise=quiet(seed))
    misfit, leverage = model.details["misfit"], model.details["leverage"]
    np.testing.assert_allclose(leverage.sum(axis=0), 3, rtol=1e-9)  # analytic: trace of a projection
    total = (misfit**2 * (1 - leverage)).sum(axis=0)
    # computed: two complex degrees of freedom of unit variance, less what the tolerances add to the weights
    assert 0.2 < total.mean() < 2.5


def test_misfit_without_tolerances_has_unit_variance():
    """Computed: the sum of squares has mean N − 3 = 2; its spread is below √(2·2·200)/200."""
    parts = (Open(0.2e-12), Short(1e-3, 2e-9), Load(50.0), Load(200.0, name="second load"), Capacitor(1e-9))
    case = replace(FIVE, standards=parts)
    means = []
    for seed in range(10):
        details = case.solve(noise=quiet(100 + seed)).details
        means.append((details["misfit"] ** 2 * (1 - details["leverage"])).sum(axis=0).mean())
    assert np.mean(means) == pytest.approx(2.0, abs=5 * np.sqrt(4 / 2000))


def spoil(case, readings, victim, contact_ohm, noise):
    """Return the readings with a resistance in series with one standard."""
    item = next(item for item in readings if item.standard.name == victim)
    h = item.standard.homogeneous(GRID)
    bad = replace(item, pair=noise(case.bench.read(h.p + contact_ohm * h.q, h.q, GRID)))
    return [bad if other is item else other for other in readings]


SIX = replace(FIVE, standards=(OPEN, SHORT, LOAD, PAD, GOOD_CAPACITOR, Load(10.0, name="third load")))


@pytest.mark.parametrize(
    ("victim", "contact_ohm"),
    [("short", 1.0), ("load", 2.0), ("second load", 30.0), ("third load", 1.0), ("capacitor", 20.0)],
)
def test_a_bad_contact_is_found_and_named(victim, contact_ohm):
    readings = SIX.measure(noise=quiet(31))
    OpenShortLoad.solve(readings, SIX.setup())
    with pytest.raises(CalibrationError, match="contradict each other") as caught:
        OpenShortLoad.solve(spoil(SIX, readings, victim, contact_ohm, quiet(32)), SIX.setup())
    assert caught.value.what.endswith(f"at fault: {victim}")
    assert "narrows it down" not in caught.value.next_step


def test_four_standards_show_a_contradiction_but_leave_all_four_under_suspicion():
    case = replace(FIVE, standards=(OPEN, SHORT, LOAD, PAD))
    readings = case.measure(noise=quiet(41))
    OpenShortLoad.solve(readings, case.setup())
    bad = spoil(case, readings, "second load", 10.0, quiet(42))
    with pytest.raises(
        CalibrationError, match=r"at fault: open or short or load or second load.*narrows it down"
    ):
        OpenShortLoad.solve(bad, case.setup())


def test_a_good_capacitor_gives_the_phase_that_an_unknown_load_inductance_takes():
    # 5 nH in 50 ohm turn the phase by 1.9 mrad at 3 MHz (analytic); a capacitor of tan δ ± 1e-4 does not
    load = Load(Toleranced.within(50.0, 0.05), Toleranced.within(5e-9, 5e-9), Toleranced(0.0))
    mica = Capacitor(Toleranced.within(1e-9, 1e-11), Toleranced(1e-4, 1e-4))
    f = np.array([3e6])
    z = np.array([100j])

    def u_angle(*standards):
        case = Case(OpenShortLoad, Bench(GROUND, network=True, strange=True), standards)
        model = case.solve(f, noisy(np.random.default_rng(4), 1e-6))
        return float(
            np.sqrt(sum((s.sensitivity / z).imag[0] ** 2 for s in model.correct(model.embed(z)).sources))
        )

    without, with_it = u_angle(OPEN, SHORT, load), u_angle(OPEN, SHORT, load, mica)
    assert without == pytest.approx(2 * np.pi * 3e6 * 5e-9 / np.sqrt(3) / 50, rel=0.1)  # analytic
    assert with_it < 2e-4  # computed: 1.7e-4, most of it the 1e-4 of the capacitor, carried to 100 ohm


def test_two_standards_that_share_a_cause_move_together():
    """Analytic: the sum of the two changes, taken from each standard alone."""
    shape = np.linspace(0.01, 0.02, 200) * (1 + 0.5j)

    def known(name, z, *causes):
        curve = ImpedanceSweep(
            GRID,
            np.full(200, z + 0j),
            np.zeros((200, 2, 2)),
            tuple(ErrorSource(cause, Scope.SPECIMENS, z * shape) for cause in causes),
        )
        return Known(curve, name=name)

    def solve(low, high):
        case = replace(FIVE, standards=(Open(), low, high))
        return case.solve().correct(case.bench.read(specimen(GRID), 1.0, GRID))

    apart = solve(known("low", 5.0, "one"), known("high", 60.0, "two"))
    both = solve(known("low", 5.0, "bridge"), known("high", 60.0, "bridge"))
    assert [s.id for s in both.sources] == ["bridge"]
    total = source(apart, "one").sensitivity + source(apart, "two").sensitivity
    np.testing.assert_allclose(source(both, "bridge").sensitivity, total, rtol=1e-9)


def test_one_cause_with_two_scopes_is_refused():
    parts = [
        Perturbation("bridge", scope, np.ones((1, 2, 2), dtype=complex))
        for scope in (Scope.SPECIMENS, Scope.SPECIMENS_POINT)
    ]
    with pytest.raises(CalibrationError, match=r"bridge: one cause is stated with two scopes"):
        merge(parts)


def test_two_bad_contacts_are_not_pinned_on_one_standard():
    readings = spoil(SIX, SIX.measure(noise=quiet(51)), "load", 5.0, quiet(52))
    readings = spoil(SIX, readings, "third load", 3.0, quiet(53))
    with pytest.raises(CalibrationError, match="more than one standard"):
        OpenShortLoad.solve(readings, SIX.setup())


# -- the fingerprint -----------------------------------------------------------------------------------------

PRINT = Fingerprint(GROUND, range_a="1 V", range_b="0.1 V", coupling="dc", shunt="R10", cables="pair 1")


def test_fingerprint_accepts_itself_and_survives_text():
    PRINT.check(replace(PRINT))
    assert Fingerprint.from_dict(PRINT.to_dict()) == PRINT


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"wiring": BELOW}, "wiring: .*got wiring specimen-at-ground; allowed: wiring shunt-at-ground"),
        ({"range_b": "1 V"}, "range b: .*got range b 1 V; allowed: range b 0.1 V"),
        ({"probe_ratio_a": 10.0, "cables": "pair 2"}, "probe ratio a, cables: "),
    ],
)
def test_fingerprint_names_what_differs(change, named):
    with pytest.raises(CalibrationError, match=named):
        PRINT.check(replace(PRINT, **change))


def test_fingerprint_takes_a_tied_range_but_nothing_else():
    other = replace(PRINT, range_a="0.5 V")
    PRINT.check(other, tied_ranges=[("0.5 V", "0.1 V")])
    with pytest.raises(CalibrationError, match="range a: "):
        PRINT.check(other, tied_ranges=[("0.5 V", "1 V")])
    with pytest.raises(CalibrationError, match=r"^coupling: "):
        PRINT.check(replace(other, coupling="ac"), tied_ranges=[("0.5 V", "0.1 V")])


def test_fingerprint_refuses_damaged_text():
    with pytest.raises(CalibrationError, match="got colour"):
        Fingerprint.from_dict(PRINT.to_dict() | {"colour": "blue"})
    with pytest.raises(CalibrationError, match="cannot be read"):
        Fingerprint.from_dict(PRINT.to_dict() | {"wiring": "by-ear"})
