"""A known part against its statement: the rate of false alarms by simulation, cancelling, and the trend."""

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from whichcore.analysis.types import Distribution, PhasorPair, Wiring
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.shunt import RangeFactor
from whichcore.calibration.standards import Capacitor, Load, Open, Short, Toleranced
from whichcore.calibration.verify import _limits, verify
from whichcore.errors import CalibrationError, InputError, WhichcoreWarning
from whichcore.measure.trend import keep, trend, trend_path

F = np.geomspace(1e4, 3e6, 8)
W = 2j * np.pi * F
SETUP = Setup(Fingerprint(Wiring.SHUNT_AT_GROUND), F)
NOISE, QUIET = 2e-4, 1e-5  # of voltages of norm one
OPEN = Open(Toleranced.within(1e-12, 0.5e-12))
SHORT = Short(Toleranced.within(1e-3, 1e-3), Toleranced.within(4e-9, 2e-9))
LOAD = Load(Toleranced.within(50.0, 0.05), Toleranced.within(4e-9, 2e-9))
PART = Load(Toleranced.within(200.0, 1.0), Toleranced.within(6e-9, 3e-9), name="resistor")
MICA = Capacitor(Toleranced.within(1e-9, 1e-11), 2e-4, name="mica")
EVEN = RangeFactor(np.ones(F.size, complex), np.zeros(F.size), np.zeros(F.size))


def network(rng):
    """M of a bench with a 10 Ω shunt, some per cent off everywhere, smooth in frequency."""
    ideal = np.array([[1.0, -1.0], [0.0, 0.1]]) * np.ones((F.size, 2, 2))
    off = 0.02 * (rng.normal(size=(2, 2)) + 1j * rng.normal(size=(2, 2))) * [[1, 1], [0.1, 0.1]]
    return ideal + off * (1 + F / 3e6)[:, None, None]


def read(p, q, matrix, rng=None, size=NOISE):
    """Voltages of p/q behind a network, norm one, with noise where dice are given."""
    a = matrix[:, 1, 1] * p - matrix[:, 0, 1] * q
    b = matrix[:, 0, 0] * q - matrix[:, 1, 0] * p
    norm = np.hypot(abs(a), abs(b))
    noise = np.zeros((F.size, 4)) if rng is None else rng.normal(scale=size, size=(F.size, 4))
    return PhasorPair(
        F,
        a / norm + noise[:, 0] + 1j * noise[:, 1],
        b / norm + noise[:, 2] + 1j * noise[:, 3],
        np.broadcast_to(size**2 * np.eye(4), (F.size, 4, 4)).copy(),
        ("one",) * F.size,
    )


def drawn(value, rng):
    """The true value of a part: anywhere within its tolerance, evenly."""
    if not isinstance(value, Toleranced):
        return value
    half = np.sqrt(3) * value.standard_uncertainty
    return value.value + rng.uniform(-half, half)


def truth(part, rng):
    """(p, q) of a part as it really is; written here, not taken from the code under test."""
    if isinstance(part, Open):
        return np.ones(F.size), W * drawn(part.capacitance_f, rng)
    if isinstance(part, Short):
        return drawn(part.resistance_ohm, rng) + W * drawn(part.inductance_h, rng), np.ones(F.size)
    if isinstance(part, Capacitor):
        c = drawn(part.capacitance_f, rng)
        return 1 / (W * c) * (1 + 1j * drawn(part.loss_tangent, rng)), np.ones(F.size)
    z = drawn(part.resistance_ohm, rng) + W * drawn(part.inductance_h, rng)
    return z, 1 + W * drawn(part.capacitance_f, rng) * z


def bench(rng, standards=(OPEN, SHORT, LOAD), size=NOISE):
    """A calibrated bench with what its standards truly are."""
    matrix = network(rng)
    true = {part.name: truth(part, rng) for part in standards}
    measured = [Measured(part, read(*true[part.name], matrix, rng, size)) for part in standards]
    return OpenShortLoad.solve(measured, SETUP), matrix, true


# --- the rule -----------------------------------------------------------------------------------------------


def alarms(part, runs, chance, *, used=False, size=NOISE, draws=2000):
    """How many sound parts fail on sound benches; everything is drawn from what is stated of it."""
    count = 0
    for seed in range(runs):
        rng = np.random.default_rng(1000 + seed)
        standards = (OPEN, SHORT, LOAD, part) if used else (OPEN, SHORT, LOAD)
        model, matrix, true = bench(rng, standards, size)
        p, q = true[part.name] if used else truth(part, rng)
        found = verify(model, part, read(p, q, matrix, rng, size), EVEN, chance=chance, draws=draws)
        count += not found.passed
    return count


@pytest.mark.parametrize("part", [PART, MICA], ids=["resistor", "mica"])
def test_a_sound_part_fails_as_often_as_stated(part):
    runs, chance = 250, 0.1
    count = alarms(part, runs, chance)
    # analytic: binomial, 25 ± 4.7, and the limit itself rests on 2000 draws (± 0.7 in 10 of the rate)
    assert abs(count - runs * chance) < 4 * np.hypot(4.74, 25 * 0.067)


@pytest.mark.soak
@pytest.mark.parametrize(("part", "used"), [(PART, False), (MICA, False), (PART, True), (LOAD, False)])
def test_a_sound_part_fails_as_often_as_stated_in_many_runs(part, used):
    """Quiet readings: the rule is of first order, and 0.4 % of noise on a small voltage has a second."""
    runs, chance = 600, 0.05
    part = replace(part, name="second load") if part is LOAD else part
    count = alarms(part, runs, chance, used=used, size=5e-5, draws=5000)
    # analytic: binomial, 30 ± 5.3; limits on 5000 draws are off by some 8 % of the rate, alike in all runs
    assert abs(count - 30) < 3 * np.hypot(5.3, 2.4)


@pytest.mark.parametrize("chance", [0.01, 0.05])
def test_fresh_draws_pass_the_limits_as_often_as_stated(chance):
    """Ten components that share most of what they are: half of them even, half normal."""
    rng = np.random.default_rng(2)

    def drawn(count):
        common = rng.uniform(-1, 1, size=(count, 1, 1))
        return common * [[1.0, 0.1]] + 0.2 * rng.normal(size=(count, 5, 2))

    limits = _limits(drawn(40_000), chance)
    rate = np.any(np.abs(drawn(200_000)) > limits, axis=(1, 2)).mean()
    # analytic: the share of 40,000 draws in the tail scatters by √(p (1 − p)/n), once for the whole and about
    # as much again for the single limits; four of them
    assert abs(rate - chance) < 4 * np.sqrt(2 * chance * (1 - chance) / 40_000)


def test_points_are_not_judged_one_by_one():
    """Eight points each held to its own 10 % would fail some part far more often: why the limit is drawn."""
    runs, single, drawn_limit = 120, 0, 0
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        model, matrix, _ = bench(rng)
        found = verify(model, PART, read(*truth(PART, rng), matrix, rng), EVEN, chance=0.1, draws=1000)
        parts = np.stack([found.deviation.real, found.deviation.imag], axis=-1)
        single += bool(np.any(np.abs(parts) > norm.isf(0.05) * found.u))
        drawn_limit += not found.passed
    assert drawn_limit < 0.2 * runs
    assert single > 1.3 * drawn_limit


@pytest.mark.parametrize("share", [1.5, 3.0])
def test_a_part_beyond_its_tolerance_fails(share):
    """1 Ω of tolerance: the label of a part that reads 1.5 or 3 Ω more is wrong."""
    rng = np.random.default_rng(5)
    model, matrix, _ = bench(rng, size=QUIET)
    z = 200.0 + share + W * 6e-9
    found = verify(model, PART, read(z, np.ones(F.size), matrix, rng, QUIET), EVEN)
    assert not found.passed
    # computed: 0.05 of 50 Ω and 1 of 200 Ω, both even: 1.2 ohm at the very most, and a tenth of that of noise
    assert np.all(found.allowed[:, 0] < 1.32 / 200)
    assert np.all(found.allowed[:, 0] > 1.0 / 200)
    assert np.all(np.abs(found.deviation.real - share / 200) < 0.003)


def test_a_part_within_its_tolerance_passes():
    rng = np.random.default_rng(6)
    model, matrix, _ = bench(rng)
    z = 200.0 + 0.8 + W * 6e-9
    assert verify(model, PART, read(z, np.ones(F.size), matrix, rng), EVEN).passed


# --- cancelling ---------------------------------------------------------------------------------------------


def test_what_bench_and_part_share_cancels():
    """Analytic: three standards are solved exactly, so each of them reads as its label, whatever it is.

    What is left of its deviation is the noise of two readings: 0.1 % of tolerance is no part of it.
    """
    rng = np.random.default_rng(7)
    model, matrix, true = bench(rng, size=QUIET)
    pair = read(*true["load"], matrix, rng, QUIET)
    found = verify(model, LOAD, pair, EVEN)
    assert found.used
    assert found.passed
    other = verify(model, replace(LOAD, name="its twin"), pair, EVEN)
    assert not other.used
    # computed: 0.1 % within is 0.058 % of standard uncertainty, twice as two parts share nothing
    tolerance = np.sqrt(2) * 1e-3 / np.sqrt(3)
    assert np.all(other.u[:, 0] > tolerance)
    assert np.all(np.abs(other.u[:, 0] ** 2 - found.u[:, 0] ** 2 - tolerance**2) < 0.01 * tolerance**2)
    assert np.all(found.u[:, 0] < 0.3 * tolerance)


def test_an_open_and_a_short_have_units_of_their_own():
    rng = np.random.default_rng(8)
    model, matrix, true = bench(rng)
    opened = verify(model, replace(OPEN, name="jig"), read(np.ones(F.size), W * 3e-12, matrix), EVEN)
    assert opened.unit == "siemens"
    # 3 pF where 1 pF is stated; the calibration's own open is off by less than half a picofarad
    assert opened.deviation[-1].imag / (2 * np.pi * F[-1]) == pytest.approx(2e-12, abs=1e-12)
    link = read(0.3 + W * 4e-9, np.ones(F.size), matrix)
    shorted = verify(model, replace(SHORT, name="link"), link, EVEN)
    assert shorted.unit == "ohm"
    assert shorted.deviation.real == pytest.approx(np.full(F.size, 0.3), abs=0.02)
    assert not shorted.passed
    assert true["short"][0][0].real < 0.0021


def test_the_tie_of_a_range_is_one_draw_for_all_its_points():
    rng = np.random.default_rng(9)
    model, matrix, _ = bench(rng)
    pair = read(*truth(PART, rng), matrix, rng)
    loose = RangeFactor(np.ones(F.size, complex), np.full(F.size, 0.02), np.full(F.size, 0.02))
    found = verify(model, PART, pair, loose)
    assert found.u[:, 0].min() > 0.02  # computed: a ratio 2 % uncertain; Z = 10 (r − 1) with r = 21
    many = replace(pair, range_labels=tuple(f"{n}" for n in range(F.size)))
    # analytic: the largest of eight independent draws is further out than one common draw
    wider = verify(model, PART, many, loose).allowed / found.allowed
    assert np.median(wider) > 1.05


def test_what_cannot_be_compared_is_refused():
    rng = np.random.default_rng(10)
    model, matrix, _ = bench(rng)
    pair = read(*truth(PART, rng), matrix)
    with pytest.raises(CalibrationError, match="empty winding zero"):
        verify(replace(model, plane="empty winding"), PART, pair, EVEN)
    with pytest.raises(CalibrationError, match="no calibration at this frequency"):
        verify(model, PART, replace(pair, frequency_hz=F * 1.001), EVEN)
    with pytest.raises(InputError, match="finite"):
        verify(model, PART, replace(pair, voltage_a_v=pair.voltage_a_v * np.nan), EVEN)


def test_a_singular_covariance_is_no_fault():
    """A part whose one tolerance is all that is uncertain: along it the tolerance, across it nothing."""
    rng = np.random.default_rng(11)
    model, matrix, _ = bench(rng)
    exact = replace(model, perturbations=())
    part = Load(Toleranced.within(200.0, 1.0), name="resistor")
    z = np.full(F.size, 200.9 + 0j)
    pair = replace(read(z, np.ones(F.size), model.matrix), covariance=np.zeros((F.size, 4, 4)))
    found = verify(exact, part, pair, EVEN)
    # analytic: an even distribution of ± 1 in 200 passes 0.99 of its half width once in a hundred
    assert found.allowed[:, 0] == pytest.approx(np.full(F.size, 0.99 / 200), rel=0.006)
    assert found.share == pytest.approx(np.full(F.size, 0.9 / 0.99), rel=0.006)
    assert found.passed
    assert {t.distribution for t in part.homogeneous(F).terms} == {Distribution.RECTANGULAR}
    assert matrix.shape == model.matrix.shape


# --- the trend ----------------------------------------------------------------------------------------------

CONTEXT = {"bench": "bench", "calibration": "c1", "error_model": "open-short-load", "temperature_c": None}


@pytest.fixture
def checks(tmp_path, monkeypatch):
    """Three readings of a part that grows by 0.1 % each time."""
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    rng = np.random.default_rng(12)
    model, matrix, _ = bench(rng)
    ones = np.ones(F.size)
    return [
        verify(model, PART, read((200 + n * 0.2) * ones, ones, matrix), EVEN, draws=100) for n in range(3)
    ]


def test_checks_are_added_and_read_again(checks):
    for item in checks:
        path = keep(item, CONTEXT)
    assert path == trend_path("bench", "resistor")
    lines = path.read_text().split("\n")
    assert len(lines) == 4
    assert lines[-1] == ""
    entry = json.loads(lines[0])
    assert entry["format"] == "whichcore-verification 1"
    assert entry["calibration"] == "c1"
    kept = trend("bench", "resistor")
    assert [item.passed for item in kept] == [item.passed for item in checks]
    assert kept[2].change_since(kept[0]).real == pytest.approx(0.002, rel=0.02)  # analytic: 0.4 of 200 Ω
    assert kept[1].deviation == pytest.approx(checks[1].deviation)
    before = path.read_bytes()
    keep(checks[0], CONTEXT)
    assert path.read_bytes().startswith(before)


@pytest.mark.parametrize(
    "damage",
    [b'{"format": "whichcore-verif', b"\xff\xfe", b"[]", b'{"format": "other"}', b"null", b"{}"],
)
def test_a_damaged_last_line_is_named_and_kept(checks, damage):
    path = keep(checks[0], CONTEXT)
    with path.open("ab") as file:
        file.write(damage)
    with pytest.warns(WhichcoreWarning, match="line 2 is damaged"):
        assert len(trend("bench", "resistor")) == 1
    with pytest.warns(WhichcoreWarning, match="cut off"):
        keep(checks[1], CONTEXT)
    assert damage in path.read_bytes().split(b"\n")
    with pytest.warns(WhichcoreWarning, match="line 2 is damaged"):
        assert len(trend("bench", "resistor")) == 2


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("share_of_allowed", -1),
        ("frequency_hz", []),
        ("u_real", [float("nan")]),
        ("at", "yesterday"),
        ("passed", 1),
        ("deviation_real", "x"),
        ("part", None),
    ],
)
def test_a_line_that_is_none_is_left_out(checks, key, value):
    path = keep(checks[0], CONTEXT)
    entry = json.loads(path.read_text()) | {key: value}
    path.write_text(path.read_text() + json.dumps(entry) + "\n")
    with pytest.warns(WhichcoreWarning, match="line 2 is damaged"):
        assert len(trend("bench", "resistor")) == 1


def test_a_name_cannot_leave_the_folder(checks):
    path = keep(replace(checks[0], part="../../etc/x y"), CONTEXT)
    assert path.parent == trend_path("bench", "resistor").parent
    assert trend("bench", "never") == ()


def test_a_place_that_cannot_be_written_is_one_line(checks):
    path = trend_path("bench", "resistor")
    path.mkdir(parents=True)
    with pytest.raises(InputError, match="cannot be written down") as caught:
        keep(checks[0], CONTEXT)
    assert "\n" not in caught.value.one_line()
