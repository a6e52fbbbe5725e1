"""Demagnetising before a sweep: where it can work it does, where it cannot it says so, and drives nothing."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from instant_bench import Instant
from test_rig_sweep import correct, make_plan, of
from whichcore.analysis.coercive import NEUTRALISING, coercive_fields, highest_coercive_field
from whichcore.analysis.materials import MaterialClass
from whichcore.analysis.specimen import Rod
from whichcore.analysis.types import Wiring
from whichcore.cli.root import root
from whichcore.errors import Cancelled, InputError
from whichcore.files import load_specimen
from whichcore.rig.events import Demagnetised, PointDone
from whichcore.rig.sweep.demagnetise import FREQUENCY_HZ
from whichcore.rig.sweep.level import DriveRule
from whichcore.rig.sweep.plan import DemagnetiseRule, RecordRule
from whichcore.rig.sweep.run import sweep
from whichcore.rig.virtual import impedance_of

RECORD = RecordRule(1000, 40)
GRID = (2e4, 4e4)


class Watched(Instant):
    """An instant bench that notes the flux density of every change, and the level."""

    def __init__(self, folder, name="bin-h", turns=30, **more):
        super().__init__(**more)
        self.item = self.wind(name, turns)
        path = folder / "ring.toml"
        path.write_text(self.item.specimen_toml())
        self.specimen = load_specimen(path)
        self.levels = []
        change = self.table.change

        def noted(**what):
            change(**what)
            if what.get("source") is not None:
                front = self.table.source
                self.levels.append((front.frequency_hz, front.level_vpp if front.on else 0.0))

        self.table.change = noted
        self.hands(remanence_t=0.09)

    def plan(self, coercive=14.0, **changed):
        rule = DemagnetiseRule(self.specimen, coercive, "stated", changed.pop("rest_s", 30.0))
        usual = {"frequency_hz": GRID, "level": DriveRule(0.3), "record": RECORD, "most_takes": 1}
        return make_plan(demagnetise=rule, **(usual | changed))

    def swept(self, plan, **more):
        return list(sweep(plan, self.bench, self.cancel, correct=correct, **more))

    @property
    def remanence_t(self):
        return self.table.hands.remanence_t


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """One sweep with it, and what it said."""
    lab = Watched(tmp_path_factory.mktemp("done"))
    (told,) = of(lab.swept(lab.plan(rest_s=75.0, frequency_hz=GRID[:1])), Demagnetised)
    return lab, told


class TestWhereItWorks:
    def test_the_remanence_goes(self, done):
        lab, told = done
        assert lab.remanence_t == 0
        assert told.peak_a_per_m >= 5 * 14
        # analytic: H = N I/l_e of the circuit, l_e computed from the caliper's ring
        emf = max(level for _, level in lab.levels) / 2 * 1.006  # the bench's own gain of the source
        current = abs(emf / (50 + 10.007 + impedance_of(lab.item, np.array([FREQUENCY_HZ]))[0]))
        assert told.peak_a_per_m == pytest.approx(30 * current / 60.18e-3, rel=0.03)
        assert lab.table.source.on is False

    def test_the_decay_is_even_and_ends_low(self, done):
        at = [level for f, level in done[0].levels if f == FREQUENCY_HZ and level > 0]
        top = int(np.argmax(at))
        fall = np.array(at[top:])
        assert np.all(fall[1:] / fall[:-1] > 0.8)
        assert fall[-1] / fall[0] < 0.02 / 5
        assert at[0] <= 0.2  # nothing jumps to full swing: a hundredth of the highest comes first

    def test_it_rests_and_says_how_long(self, done):
        lab, told = done
        assert told.rest_s == 75
        assert lab.clock.now_s > 75
        assert "75 s of rest" in told.told()
        assert "5.3 times 14 A/m (stated)" in told.told()

    @pytest.mark.soak
    def test_the_core_measures_as_a_neutral_one(self, tmp_path):
        """4 % of χ are missing at 0.09 T: (0.09/0.47)² by the bench's own law."""
        z = {}
        for way in ("magnetised", "demagnetised", "neutral"):
            lab = Watched(tmp_path)
            plan = lab.plan() if way == "demagnetised" else replace(lab.plan(), demagnetise=None)
            lab.hands(remanence_t=0.0 if way == "neutral" else 0.09, disturbed_s=-600.0)
            z[way] = of(lab.swept(plan), PointDone)[0].corrected.impedance_ohm[0].imag
        assert z["magnetised"] / z["neutral"] == pytest.approx(1 - (0.09 / 0.47) ** 2, abs=0.01)
        # 30 s after it the core is still 0.4 % per decade above its value at 10 min
        assert z["demagnetised"] / z["neutral"] == pytest.approx(1 + 0.004 * math.log10(600 / 31), abs=0.006)

    @pytest.mark.soak
    def test_in_the_other_wiring(self, tmp_path):
        lab = Watched(tmp_path, wiring=Wiring.SPECIMEN_AT_GROUND)
        (told,) = of(lab.swept(replace(lab.plan(), level=DriveRule(1.0))), Demagnetised)
        assert lab.remanence_t == 0
        assert told.peak_a_per_m == pytest.approx(5.25 * 14, rel=0.03)

    @pytest.mark.soak
    def test_taken_up_again_it_begins_anew_but_not_for_nothing(self, tmp_path):
        lab = Watched(tmp_path)
        assert len(of(lab.swept(lab.plan(), done=GRID[:1]), Demagnetised)) == 1
        assert of(lab.swept(lab.plan(), done=GRID), Demagnetised) == []


class TestWhereItDoesNot:
    def test_too_few_turns(self, tmp_path):
        lab = Watched(tmp_path, turns=10)
        with pytest.raises(InputError, match="field is too small") as caught:
            lab.swept(lab.plan(offset_v=0.02))
        # computed: 10 turns × 10 V/60 Ω over 60 mm are some 27.6 A/m
        assert "27.6 A/m peak at 20 V" in caught.value.got
        assert "70 A/m and more" in caught.value.allowed
        assert "26 of them" in caught.value.next_step
        assert lab.remanence_t == 0.09
        assert lab.table.source.offset_v == 0.02  # nulled here as in the sweep: a bias would stay behind
        assert max(level for _, level in lab.levels) <= 0.2  # nothing was driven hard in vain
        assert lab.table.source.on is False

    def test_a_headphone_output(self, tmp_path):
        """computed (values of the design): some 3 A/m in ten turns on 60 mm."""
        lab = Watched(tmp_path, turns=10)
        with pytest.raises(InputError, match="field is too small") as caught:
            lab.swept(lab.plan(highest_level_vpp=2.2))
        assert caught.value.got.startswith("3.1")

    def test_a_limit_of_the_bench_is_kept(self, tmp_path):
        lab = Watched(tmp_path)
        with pytest.raises(InputError, match="field is too small"):
            lab.swept(lab.plan(highest_level_vpp=10.0))
        assert max(level for _, level in lab.levels) <= 10

    def test_a_source_that_does_not_go_low(self, tmp_path):
        lab = Watched(tmp_path, level_vpp=(2.0, 20.0))
        with pytest.raises(InputError, match="cannot fade away") as caught:
            lab.swept(lab.plan(level=DriveRule(2.0)))
        assert "pad" in caught.value.next_step

    def test_nothing_at_the_terminals(self, tmp_path):
        lab = Watched(tmp_path)
        lab.fit("open")
        with pytest.raises(InputError, match=r"too small|cannot be read"):
            lab.swept(lab.plan())
        assert lab.table.source.on is False

    def test_a_rod(self, tmp_path):
        lab = Watched(tmp_path)
        rod = replace(lab.specimen, core=Rod(8e-3, 50e-3, 1e-6))
        with pytest.raises(InputError, match="rod"):
            lab.swept(replace(lab.plan(), demagnetise=DemagnetiseRule(rod, 14.0, "stated")))

    @pytest.mark.parametrize(("coercive", "rest_s"), [(0.0, 1.0), (1e5, 1.0), (14.0, -1.0), (math.nan, 1.0)])
    def test_values_that_are_none(self, tmp_path, coercive, rest_s):
        with pytest.raises(InputError, match="no way to demagnetise"):
            DemagnetiseRule(Watched(tmp_path).specimen, coercive, "stated", rest_s)


class TestStopping:
    def test_a_decay_that_is_stopped_runs_out_at_once(self, tmp_path):
        """A drive cut off in full swing leaves 0.6 of the remanence; this one leaves none."""
        lab = Watched(tmp_path)
        wait = lab.cancel.wait
        lab.cancel.wait = lambda s=None: lab.cancel.set() or True if _in_decay(lab) else wait(s)
        with pytest.raises(Cancelled):
            lab.swept(lab.plan())
        assert lab.remanence_t == 0
        assert lab.table.source.on is False

    @pytest.mark.soak
    def test_a_rest_that_is_stopped(self, tmp_path):
        lab = Watched(tmp_path)
        wait = lab.cancel.wait
        lab.cancel.wait = lambda s=None: lab.cancel.set() or True if s == 3600 else wait(s)
        with pytest.raises(Cancelled, match="stopped"):
            lab.swept(lab.plan(rest_s=3600.0))
        assert lab.table.source.on is False


def _in_decay(lab):
    at = [level for f, level in lab.levels if f == FREQUENCY_HZ and level > 0]
    return len(at) > 3 and at[-1] < 0.9 * max(at)


class TestClasses:
    def test_the_table(self):
        fields = coercive_fields()
        assert set(fields) <= set(MaterialClass)
        assert all(0 < low < high for low, high in fields.values())
        assert fields[MaterialClass.MNZN] == (10, 30)  # memory: the design's own values
        assert highest_coercive_field("MnZn") == 30
        assert NEUTRALISING == 5  # practice: the design

    def test_a_class_without_one(self):
        for name in ("other", "mnzn", "iron"):
            with pytest.raises(InputError, match="not known"):
                highest_coercive_field(name)


class TestCommand:
    def run(self, tmp_path, *words):
        ring = tmp_path / "ring.toml"
        ring.write_text(Instant().wind("bin-h", 10).specimen_toml())
        where = (
            "--bench",
            "virtual",
            "--core",
            "bin-h",
            "--specimen",
            str(ring),
            "--out",
            str(tmp_path / "o.csv"),
        )
        return CliRunner().invoke(root, ["sweep", *where, *words, "--json"])

    @pytest.mark.parametrize(
        ("words", "code", "where"),
        [
            (("--rest", "1 min"), "usage", "--rest"),
            (("--zero-field", "2", "--drive", "1 V"), "usage", "--zero-field, --drive"),
            (("--demagnetise", "15"), "input", "--demagnetise"),
            (("--demagnetise", "15 T"), "input", "--demagnetise"),
            (("--demagnetise", "ferrite"), "input", "coercive field"),
            (("--demagnetise", "15 A/m", "--rest", "soon"), "input", "--rest"),
        ],
    )
    def test_what_makes_no_sense_is_told_before_the_bench_is_touched(self, tmp_path, words, code, where):
        done = self.run(tmp_path, *words)
        error = json.loads(done.stdout)["error"]
        assert (error["code"], error["where"]) == (code, where)
        assert not (tmp_path / "o.csv").exists()
