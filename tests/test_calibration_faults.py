"""What goes wrong when a bench is calibrated: each fault named in one line, nothing used by mistake."""

from __future__ import annotations

import zipfile
from dataclasses import replace

import numpy as np
import pytest

from test_error_model import (
    BELOW,
    CASES,
    GOOD_CAPACITOR,
    GRID,
    GROUND,
    LOAD,
    OPEN,
    PAD,
    SHORT,
    SHUNT,
    crossing_case,
    noisy,
    quiet,
    specimen,
    spoil,
)
from whichcore.analysis.types import ImpedanceSweep
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.open_short import OpenShort
from whichcore.calibration.open_short_load import OpenShortLoad
from whichcore.calibration.quality import quality
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Measured, Setup
from whichcore.calibration.shunt import Shunt
from whichcore.calibration.standards import Capacitor, Known, Load, Open, Short, Toleranced
from whichcore.errors import CalibrationError, InputError
from whichcore.measure.calibration_file import (
    StoredCalibration,
    load_calibration,
    newest_calibration,
    save_calibration,
)
from whichcore.measure.channel_ranges import ChannelRanges

THREE = {
    wiring: replace(CASES[f"open-short-load, {wiring.replace('-', ' ')}"])
    for wiring in map(str, (GROUND, BELOW))
}
KNOWN = Known(
    ImpedanceSweep(GRID, 12.0 + 2j * np.pi * GRID * 2e-6, np.full((200, 2, 2), 1e-8) * np.eye(2)),
    name="known choke",
)
FOUR = replace(CASES["five standards"], standards=(OPEN, SHORT, LOAD, GOOD_CAPACITOR))
FIVE = replace(CASES["five standards"], standards=(OPEN, SHORT, LOAD, GOOD_CAPACITOR, KNOWN))
SIX = replace(CASES["five standards"], standards=(OPEN, SHORT, LOAD, GOOD_CAPACITOR, KNOWN, PAD))
BY_COUNT = {4: FOUR, 5: FIVE, 6: SIX}


def one_line(error):
    text = str(error.value)
    assert "\n" not in text
    assert "next: " in text
    return text


# -- the wrong part on the bench -----------------------------------------------------------------------------


def with_shunt(case):
    return replace(case.setup(), shunt=SHUNT)


def exchanged(readings, order):
    """Return the readings with the voltages of other parts: ``order`` says whose each one got."""
    return [replace(item, pair=readings[k].pair) for item, k in zip(readings, order, strict=True)]


@pytest.mark.parametrize("case", THREE.values(), ids=THREE.keys())
@pytest.mark.parametrize(
    ("order", "told"),
    [
        ((1, 0, 2), ("open reads like the short", "short reads like the open")),
        ((0, 2, 2), ("the short reads like the load",)),
        ((2, 1, 2), ("the open reads like the load",)),
        ((0, 1, 0), ("the load reads like the open",)),
        ((0, 1, 1), ("the load reads like the short",)),
        ((1, 2, 0), ("open reads like the short", "short reads like the load", "load reads like the open")),
    ],
)
def test_parts_mistaken_for_each_other_are_named(case, order, told):
    readings = case.measure(noise=quiet(1))
    OpenShortLoad.solve(readings, with_shunt(case))
    with pytest.raises(CalibrationError, match="reads like another one") as caught:
        OpenShortLoad.solve(exchanged(readings, order), with_shunt(case))
    text = one_line(caught)
    assert all(part in text for part in told)
    assert text.count("reads like the") == len(told)


def test_open_and_short_exchanged_are_seen_with_two_standards_too():
    case = CASES["open-short, shunt at ground"]
    readings = case.measure(noise=quiet(1))
    with pytest.raises(CalibrationError, match="open reads like the short, the short reads like the open"):
        OpenShort.solve(exchanged(readings, (1, 0)), case.setup())


def test_without_a_known_shunt_an_exchange_cannot_be_told_from_three_readings():
    """The reason the shunt is asked for: three standards solve whatever they are called."""
    case = THREE[str(GROUND)]
    readings = case.measure()
    wrong = OpenShortLoad.solve(exchanged(readings, (1, 0, 2)), case.setup())
    z = wrong.correct(case.bench.read(specimen(GRID), 1.0, GRID)).impedance_ohm
    assert np.min(abs(z / specimen(GRID) - 1)) > 0.5


def test_a_shunt_off_by_a_tenth_mistakes_no_part():
    case = THREE[str(GROUND)]
    OpenShortLoad.solve(case.measure(), replace(case.setup(), shunt=Shunt(9.0)))
    OpenShortLoad.solve(SIX.measure(), replace(SIX.setup(), shunt=Shunt(11.0)))


def test_standards_too_alike_are_named():
    twin = Load(50.2, name="other load")
    case = replace(THREE[str(GROUND)], standards=(OPEN, LOAD, twin))
    with pytest.raises(CalibrationError, match=r"load and other load, .*too similar") as caught:
        case.solve()
    one_line(caught)


def test_a_frequency_at_which_standards_are_alike_is_left_out_and_remarked():
    model = crossing_case(120).solve()
    remarks = quality(model).remarks
    left = [text for text in remarks if "is left out of the calibration" in text]
    assert len(left) == model.details["left_out_hz"].size
    assert left[0].startswith("125 kHz")  # computed: GRID[120]
    assert "capacitor and trap" in left[0]


def test_frequencies_beside_it_are_weak_and_remarked_but_kept():
    below = GRID[:130]  # above it the parts of this set grow alike for good
    found = quality(crossing_case(120).solve(below))
    assert found.condition_max > 20
    assert abs(np.log(found.at_hz / GRID[120])) < 0.1
    assert any("hardly tell the bench's unknowns apart" in text and "kHz" in text for text in found.remarks)
    # and the stated uncertainty does say so: noise of the standards comes out larger there
    noisy_model = crossing_case(120).solve(below, noise=quiet(2))
    sweep = noisy_model.correct(noisy_model.embed(np.full(noisy_model.frequency_hz.size, 10 + 0j)))
    u = np.sqrt(sum(abs(s.sensitivity) ** 2 for s in sweep.sources if "noise" in s.id))
    assert u.max() > 5 * np.median(u)


# -- frequencies, tolerances, other benches ------------------------------------------------------------------


@pytest.mark.parametrize(
    "grid",
    [
        [1e3, 2e3, 2e3, 4e3],
        [1e3, 4e3, 2e3],
        [],
        [0.0, 1e3],
        [-1e3, 1e3],
        [1e3, np.nan],
        [1e3, np.inf],
    ],
    ids=["twice", "unsorted", "none", "zero", "negative", "nan", "infinite"],
)
@pytest.mark.parametrize("name", ["ratio, shunt at ground", "open-short, shunt at ground", "five standards"])
def test_a_grid_that_is_none_is_refused(name, grid):
    case, f = CASES[name], np.array(grid)
    good = case.measure(np.array([1e3, 2e3, 3e3, 4e3]))
    readings = [replace(item, pair=replace(item.pair, frequency_hz=f)) for item in good]
    with pytest.raises(InputError, match="positive and strictly increasing") as caught:
        case.model.solve(readings, case.setup(f))
    one_line(caught)


def test_a_tolerance_of_zero_says_exact():
    """Decided: zero is a statement, as of an ideal short; it adds nothing to the budget."""
    exact, plain = Toleranced.within(50.0, 0.0), 50.0
    assert exact.standard_uncertainty == 0
    assert Load(exact).homogeneous(GRID).terms == Load(plain).homogeneous(GRID).terms == ()
    case = replace(THREE[str(GROUND)], standards=(Open(), Short(), Load(exact)))
    model = case.solve(noise=quiet(3))
    assert all("noise of" in item.id for item in model.perturbations)


@pytest.mark.parametrize("half_width", [-0.05, -1e-30, float("nan"), float("inf")])
def test_a_negative_or_endless_tolerance_is_refused(half_width):
    with pytest.raises(InputError, match="tolerance must be finite and not negative") as caught:
        Toleranced.within(50.0, half_width)
    assert "allowed: 0, which says exact" in str(caught.value)


def test_contradiction_of_exact_standards_is_not_explained_away():
    """Without tolerances and with next to no noise the smallest misfit counts, and is named."""
    exact = (Open(), Short(), Load(50.0), Load(200.0, name="second load"), Load(10.0, name="third load"))
    case = replace(CASES["five standards"], standards=exact)
    readings = case.measure(noise=noisy(np.random.default_rng(4), size=1e-7))
    OpenShortLoad.solve(readings, case.setup())
    bad = spoil(case, readings, "second load", 0.05, noisy(np.random.default_rng(5), size=1e-7))
    with pytest.raises(CalibrationError, match="contradict each other"):
        OpenShortLoad.solve(bad, case.setup())


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("instruments", "another scope"),
        ("range_a", "5 V"),
        ("range_b", "0.02 V"),
        ("coupling", "ac"),
        ("bandwidth_limit", "20 MHz"),
        ("probe_ratio_b", 10.0),
        ("shunt", "R100"),
        ("cables", "pair 9"),
        ("fixture", "other"),
        ("wiring", BELOW),
    ],
)
def test_every_field_of_the_set_up_is_checked_and_named(field, value):
    here = Fingerprint(GROUND, "1 V", "0.1 V", "dc", "full", 1.0, 1.0, "R10", "pair 1", "clips", "scope")
    with pytest.raises(CalibrationError, match=f"^{field.replace('_', ' ')}: .*another set-up") as caught:
        here.check(replace(here, **{field: value}))
    assert str(value) in one_line(caught)


# -- the file ------------------------------------------------------------------------------------------------


@pytest.fixture
def stored(monkeypatch, tmp_path):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    law = np.zeros((1, 4))
    ranges = ChannelRanges(np.ones(1), np.ones(1), law, law, np.zeros((1, 1)), np.zeros((1, 1)))
    model = THREE[str(GROUND)].solve(np.geomspace(1e3, 1e6, 7), noise=quiet(6))
    return StoredCalibration(model, ranges, {"bench": "mine", "started": "2026-01-05T10:00:00+00:00"})


def test_the_calibration_of_another_bench_is_not_found_for_this_one(stored):
    save_calibration(stored)
    mine = stored.model.fingerprint
    assert newest_calibration("mine", mine).is_file()
    with pytest.raises(CalibrationError, match=r"no calibration for this set-up.*got none"):
        newest_calibration("theirs", mine)
    with pytest.raises(CalibrationError, match="got 1 of other set-ups"):
        newest_calibration("mine", replace(mine, instruments="another scope"))
    with pytest.raises(CalibrationError, match=r"instruments: .*another set-up"):
        stored.check(replace(mine, instruments="another scope"))


def test_a_file_cut_off_anywhere_is_refused(stored, tmp_path):
    whole = save_calibration(stored, tmp_path / "c.npz").read_bytes()
    cut = tmp_path / "cut.npz"
    for length in [*np.linspace(0, len(whole) - 1, 120).astype(int), 1, 4, len(whole) - 2]:
        cut.write_bytes(whole[:length])
        with pytest.raises(CalibrationError, match=r"cut\.npz: the calibration is damaged"):
            load_calibration(cut)


def test_a_flipped_byte_is_refused_or_changes_nothing(stored, tmp_path):
    """Some bytes of the container mean nothing (times, attributes); whatever is loaded is what was saved."""
    place = save_calibration(stored, tmp_path / "c.npz")
    whole, true = place.read_bytes(), stored.model.to_dict()
    rng = np.random.default_rng(8)
    refused = []
    for position in rng.choice(len(whole), 250, replace=False):
        spoiled = bytearray(whole)
        spoiled[position] ^= int(rng.integers(1, 256))
        place.write_bytes(bytes(spoiled))
        try:
            back = load_calibration(place)
        except CalibrationError as error:
            refused.append(str(error))
            continue
        for name, array in back.model.to_dict().items():
            np.testing.assert_array_equal(array, true[name])
        assert back.header["bench"] == "mine"
    assert len(refused) > 200
    assert not any("\n" in text for text in refused)


def test_a_file_that_is_something_else_is_refused(stored, tmp_path):
    place = tmp_path / "c.npz"
    with zipfile.ZipFile(place, "w") as other:
        other.writestr("letter.txt", "dear")
    with pytest.raises(CalibrationError, match="damaged"):
        load_calibration(place)
    np.savez(place, matrix=np.eye(2))
    with pytest.raises(CalibrationError, match="damaged"):
        load_calibration(place)
    place.write_bytes(b"frequency_hz,impedance\n1,2\n")
    with pytest.raises(CalibrationError, match="damaged"):
        load_calibration(place)
    with pytest.raises(CalibrationError, match="no such calibration"):
        load_calibration(tmp_path / "missing.npz")


# -- standards that are not what is written on them ----------------------------------------------------------


def inductive(case, extra_h, names=("load",)):
    """Return readings in which the named parts have more inductance than they state."""
    found = []
    for item in case.measure(noise=quiet(9)):
        if item.standard.name in names:
            h = item.standard.homogeneous(GRID)
            pair = quiet(10)(case.bench.read(h.p + 2j * np.pi * GRID * extra_h * h.q, h.q, GRID))
            item = Measured(item.standard, pair)  # noqa: PLW2901 - the reading takes the place of the good one
        found.append(item)
    return found


def test_an_inductive_load_among_three_standards_passes_unseen_and_quality_says_that_it_would():
    case = THREE[str(GROUND)]
    model = OpenShortLoad.solve(inductive(case, 60e-9), case.setup())
    z = model.correct(case.bench.read(100.0, 1.0, GRID)).impedance_ohm
    assert abs(z[-1] / 100 - 1) > 0.02  # computed: ωL/R = 0.0226 of it at 3 MHz
    found = quality(model)
    assert [row.misfit_max for row in found.rows] == [0.0, 0.0, 0.0]
    np.testing.assert_allclose([row.leverage_max for row in found.rows], 1.0, rtol=1e-9)
    (remark,) = found.remarks
    assert "nothing checks open, short or load" in remark
    assert "inductive load" in remark
    assert "a good capacitor" in remark


@pytest.mark.parametrize("count", [4, 5, 6])
def test_an_inductive_load_is_refused_once_a_capacitor_stands_beside_it(count):
    case = BY_COUNT[count]
    OpenShortLoad.solve(inductive(case, 0.0), case.setup())
    with pytest.raises(CalibrationError, match="contradict each other") as caught:
        OpenShortLoad.solve(inductive(case, 300e-9), case.setup())
    assert "load" in caught.value.what
    assert "worst at 3e+06 Hz" in caught.value.where or float(caught.value.where.split()[2]) > 1e6
    if count == 6:
        assert caught.value.what.endswith("at fault: load")


@pytest.mark.parametrize("count", [5, 6])
def test_a_misfit_too_small_to_refuse_that_grows_with_frequency_is_remarked(count):
    case = BY_COUNT[count]
    sound = quality(OpenShortLoad.solve(inductive(case, 0.0), case.setup()))
    assert not any("misfit" in text for text in sound.remarks)
    for extra in (2e-9, 4e-9, 6e-9, 8e-9, 10e-9, 14e-9, 20e-9, 28e-9):
        try:
            model = OpenShortLoad.solve(inductive(case, extra), case.setup())
        except CalibrationError:
            break
        found = quality(model)
    grown = [text for text in found.remarks if "the misfit grows with frequency" in text]
    assert len(grown) == 1
    assert "load" in grown[0].split(":")[0]
    assert "inductance or capacitance" in grown[0]


@pytest.mark.parametrize(
    ("count", "victim", "contact_ohm", "named"),
    [
        (4, "load", 2.0, {"open", "short", "load", "capacitor"}),  # one spare: any of the four explains it
        (5, "load", 2.0, {"load"}),
        (5, "short", 1.0, {"short"}),
        (5, "known choke", 1.0, {"known choke"}),
        (6, "load", 2.0, {"load"}),
        (6, "capacitor", 20.0, {"capacitor"}),
        (6, "second load", 30.0, {"second load"}),
    ],
)
def test_a_bad_contact_is_named_among_four_five_and_six(count, victim, contact_ohm, named):
    case = BY_COUNT[count]
    readings = case.measure(noise=quiet(11))
    OpenShortLoad.solve(readings, case.setup())
    with pytest.raises(CalibrationError, match="contradict each other") as caught:
        OpenShortLoad.solve(spoil(case, readings, victim, contact_ohm, quiet(12)), case.setup())
    assert set(caught.value.what.split("at fault: ")[1].split(" or ")) == named


def test_a_contact_that_fails_at_one_frequency_is_remarked_or_refused_there():
    readings = FIVE.measure(noise=quiet(13))
    place = 150
    item = readings[2]
    a = item.pair.voltage_a_v.copy()
    a[place] *= 1.02
    readings[2] = replace(item, pair=replace(item.pair, voltage_a_v=a))
    with pytest.raises(CalibrationError, match=rf"worst at {GRID[place]:g} Hz, 1 of 200 frequencies"):
        OpenShortLoad.solve(readings, FIVE.setup())


# -- quality in numbers --------------------------------------------------------------------------------------


def test_quality_holds_the_models_own_numbers():
    model = SIX.solve(noise=quiet(14))
    found = quality(model)
    assert tuple(row.name for row in found.rows) == model.standards
    for row, leverage, misfit in zip(
        found.rows, model.details["leverage"], model.details["misfit"], strict=True
    ):
        assert row.leverage_max == leverage.max()
        assert row.misfit_max == misfit.max()
        assert misfit[np.searchsorted(model.frequency_hz, row.at_hz)] == row.misfit_max
    assert found.condition_max == model.condition.max()


@pytest.mark.parametrize("seed", range(20))
def test_a_sound_set_gets_no_remark_on_its_misfits(seed):
    """Chance of a remark 0.01 for each calibration at most: none in twenty has a probability of 0.82."""
    found = quality(SIX.solve(noise=quiet(200 + seed)))
    assert not any("misfit" in text for text in found.remarks)


def test_a_misfit_of_one_size_at_all_frequencies_is_not_said_to_grow():
    model = SIX.solve(noise=quiet(16))

    def remarks(shape):
        misfit = np.zeros((6, 200))
        misfit[2] = shape
        return quality(replace(model, details=dict(model.details) | {"misfit": misfit})).remarks

    flat, rising = np.full(200, 3.5), np.linspace(0.1, 3.5, 200)
    assert not any("grows with frequency" in text for text in remarks(flat))
    assert not any("misfit" in text for text in remarks(flat))  # 3.5 is within chance for 1,200 of them
    assert sum("load: the misfit grows with frequency" in text for text in remarks(rising)) == 1
    (told,) = (text for text in remarks(np.full(200, 9.0)) if "misfits" in text)
    assert told.startswith("load misfits by 9 standard deviations at 1 kHz")


def test_models_that_check_nothing_say_so_or_say_nothing():
    two = quality(CASES["open-short, shunt at ground"].solve())
    assert [row.leverage_max for row in two.rows] == [1.0, 1.0]
    assert len(two.remarks) == 1
    none = quality(Ratio.solve((), Setup(Fingerprint(GROUND), GRID, shunt=SHUNT)))
    assert (none.rows, none.remarks, none.condition_max) == ((), (), 1.0)


def test_a_capacitor_checks_the_load_by_leverage():
    """With a good capacitor of like impedance beside it the load no longer stands alone at high frequency."""
    alone = replace(FOUR, standards=(OPEN, SHORT, LOAD)).solve().details["leverage"][2]
    beside = replace(FOUR, standards=(OPEN, SHORT, LOAD, Capacitor(1e-9))).solve(noise=quiet(15))
    np.testing.assert_allclose(alone, 1.0, rtol=1e-9)
    assert beside.details["leverage"][2][-1] < 0.9
