"""bench.toml: looked up, read with every fault and its line, and opened."""

import math
import re
import threading
from importlib.metadata import EntryPoint, EntryPoints
from importlib.resources import files
from pathlib import Path

import pytest

from whichcore.analysis.types import Wiring
from whichcore.bench import ChannelInput, find_bench, load_bench, open_bench
from whichcore.bench.tables import (
    STANDARDS,
    DigitizerTable,
    LimitsTable,
    ShuntTable,
    SourceLimitsTable,
    SourceTable,
    TopTable,
)
from whichcore.calibration.standards import Capacitor, Known, Load, Open, Short
from whichcore.errors import InputError, InstrumentError
from whichcore.rig.lines.address_lock import AddressLock
from whichcore.rig.tables import command_table
from whichcore.rig.tables.scaling import FORMULAS

PAGE = (Path(__file__).parents[1] / "docs" / "reference" / "bench-file.md").read_text(encoding="utf-8")
EXAMPLE = re.search(r"<!-- example: bench.toml -->\n```toml\n(.*?)```", PAGE, re.DOTALL)[1]


@pytest.fixture(autouse=True)
def nowhere(tmp_path, monkeypatch):
    """An empty folder to work in, and no bench of the machine's user."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("WHICHCORE_BENCH", raising=False)
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path / "home"))
    monkeypatch.setattr("platformdirs.user_config_path", lambda *_a, **_k: tmp_path / "config")
    return tmp_path


def write(text=EXAMPLE, name="bench.toml"):
    path = Path(name)
    path.parent.mkdir(exist_ok=True, parents=True)
    path.write_text(text, encoding="utf-8")
    return path


def changed(old, new):
    assert EXAMPLE.count(old) >= 1
    return EXAMPLE.replace(old, new, 1)


class TestLookUp:
    def test_order(self, tmp_path, monkeypatch):
        write(name="config/bench.toml")
        assert find_bench() == tmp_path / "config" / "bench.toml"
        write()
        assert find_bench() == Path("bench.toml")
        monkeypatch.setenv("WHICHCORE_BENCH", str(write(name="b/other.toml")))
        assert find_bench() == Path("b/other.toml")
        assert find_bench(str(write(name="third.toml"))) == Path("third.toml")
        assert find_bench("virtual") is None
        monkeypatch.setenv("WHICHCORE_BENCH", "virtual")
        assert find_bench() is None

    def test_none_is_one_clear_line(self):
        with pytest.raises(InputError, match="no bench is described") as caught:
            load_bench()
        for place in ("--bench", "WHICHCORE_BENCH", "./bench.toml", "config"):
            assert place in caught.value.allowed
        assert "--bench virtual" in caught.value.next_step
        assert "\n" not in caught.value.one_line()

    def test_a_named_one_that_is_not_there(self, monkeypatch):
        write()
        with pytest.raises(InputError, match="--bench"):
            find_bench("none.toml")
        monkeypatch.setenv("WHICHCORE_BENCH", "none.toml")
        with pytest.raises(InputError, match="WHICHCORE_BENCH"):
            find_bench()


class TestReading:
    def test_the_example_of_the_page(self):
        settings = load_bench(write())
        assert settings.wiring is Wiring.SHUNT_AT_GROUND
        assert settings.source.address.endswith("20::5025::SOCKET")
        assert isinstance(settings.source.table, command_table.SourceTable)
        assert settings.source_limits.level_vpp == (2e-3, 5.0)
        assert settings.channels.channels == ("1", "2")
        assert settings.shunt.resistance_ohm.value == 10.0
        # analytic: a rectangle of half width 0.01 Ω
        assert settings.shunt.resistance_ohm.standard_uncertainty == pytest.approx(0.01 / math.sqrt(3))
        assert settings.shunt.inductance_h.standard_uncertainty == pytest.approx(2e-9 / math.sqrt(3))
        assert {name: type(part) for name, part in settings.standards.items()} == {
            "open": Open,
            "short": Short,
            "load": Load,
            "mica": Capacitor,
        }
        assert settings.standards["mica"].name == "mica"
        assert settings.standards["mica"].capacitance_f.standard_uncertainty == pytest.approx(
            0.005 * 1.002e-9 / math.sqrt(3)
        )
        assert (settings.level_vpp, settings.flux_density_t) == (2.0, 0.25e-3)
        assert (settings.mains_hz, settings.settle_s, settings.virtual) == (50.0, 0.02, False)

    def test_the_virtual_bench_needs_no_file(self):
        settings = load_bench("virtual")
        assert settings.virtual
        assert {"open", "short", "load", "capacitor"} <= set(settings.standards)

    def test_no_mains(self):
        assert load_bench(write(changed('"50 Hz"', '"none"'))).mains_hz is None

    def test_what_the_inputs_load_their_nodes_with(self):
        a, b = load_bench(write()).inputs
        assert a == b
        assert (a.resistance_ohm.value, a.capacitance_f.value) == (1e6, 70e-12)
        # analytic: rectangles of half width 10 kΩ and 15 pF
        assert a.resistance_ohm.standard_uncertainty == pytest.approx(1e4 / math.sqrt(3))
        assert a.capacitance_f.standard_uncertainty == pytest.approx(15e-12 / math.sqrt(3))
        text = changed('input_capacitance = "70 pF"', 'input_capacitance = ["70 pF", "0.1 nF"]')
        settings = load_bench(write(text))
        assert [item.capacitance_f.value for item in settings.inputs] == [70e-12, 0.1e-9]
        assert settings.shunt.capacitance_f == settings.inputs[1].capacitance_f  # node B, where unsaid
        own = load_bench(write(text.replace("[shunt]\n", '[shunt]\ncapacitance = "90 pF"\n')))
        assert own.shunt.capacitance_f.value == 90e-12
        none = re.sub(r"input_.*\n", "", EXAMPLE)
        assert load_bench(write(none)).inputs == (ChannelInput(), ChannelInput())
        assert load_bench(write(none)).shunt.capacitance_f.value == 0.0

    def test_two_windings_need_the_input_of_channel_a(self):
        text = re.sub(r"input_.*\n", "", changed('"shunt-at-ground"', '"two-windings"'))
        with pytest.raises(InputError, match="what channel A loads") as caught:
            load_bench(write(text))
        assert "digitizer.input_resistance" in caught.value.where
        assert "digitizer.input_capacitance" in caught.value.next_step

    def test_an_own_table_lies_beside_the_file(self):
        text = (files("whichcore.rig.tables") / "scpi-source.toml").read_text(encoding="utf-8")
        write(text, "shop/mine.toml")
        for driver in ('driver = "mine.toml"', 'driver = "scpi"\ntable = "mine.toml"'):
            path = write(changed('driver = "scpi-source"', driver), "shop/bench.toml")
            assert load_bench(path).source.table.title == "SCPI generator"

    def test_a_known_part(self):
        write("frequency_hz,impedance_real_ohm,impedance_imag_ohm,u_real_ohm,u_imag_ohm,correlation\n"
              "1000,1,2,0.1,0.1,0\n2000,1,4,0.1,0.1,0\n", "coil.csv")  # fmt: skip
        settings = load_bench(write(EXAMPLE + '\n[standards.coil]\nkind = "known"\nsweep = "coil.csv"\n'))
        assert isinstance(settings.standards["coil"], Known)
        assert settings.standards["coil"].sweep.frequency_hz.tolist() == [1000, 2000]

    @pytest.mark.parametrize(
        ("old", "new", "key", "what"),
        [
            ('"shunt-at-ground"', '"shunt-on-top"', "wiring", "two-windings"),
            ('wiring = "shunt-at-ground"\n', "", "wiring", "missing"),
            ("whichcore-bench 1", "whichcore-bench 9", "format", "whichcore-bench 1"),
            ('"20 ms"', "20", "settle", "no unit"),
            ('settle = "20 ms"', 'setle = "20 ms"', "setle", "did you mean settle"),
            ("[digitizer]", "[digitiser]", "digitiser", "did you mean digitizer"),
            ('"scpi-source"', '"scpi-sorce"', "source.driver", "did you mean scpi-source"),
            ('"scpi-source"', '"scpi-digitizer"', "source.driver", "not the table of a source"),
            ('"scpi-source"', '"none.toml"', "source.driver", "cannot be read"),
            ('driver = "scpi-source"', 'driver = "oven"\ntable = "scpi-source"', "source.table", "scpi"),
            ('address = "TCPIP::192.168.7.20', 'adress = "TCPIP::192.168.7.20', "source.adress", "address"),
            ('"5 V"', '"50 V"', "source.limits.highest_level_vpp", "0.002 to 20 V"),
            ("highest_level_vpp", "highest_level", "source.limits.highest_level", "did you mean"),
            ("[1, 2]", "[1, 1]", "digitizer.channels", "two different"),
            ("[1, 2]", "[1, 3]", "digitizer.channels", "no such channel"),
            ("[1, 1]", "[1, 0]", "digitizer.probe_ratios", "probe ratios"),
            ('resistance = "1 Mohm"', 'resistance = "-1 Mohm"', "digitizer.input_resistance", "cannot be"),
            ('resistance = "1 Mohm"', 'resistance = "0 ohm"', "digitizer.input_resistance", "too small"),
            ('capacitance = "70 pF"', 'capacitance = "-70 pF"', "digitizer.input_capacitance", "cannot be"),
            ('capacitance = "70 pF"', "capacitance = 70", "digitizer.input_capacitance", "no unit"),
            ('capacitance = "70 pF"', 'capacitance = "70 uH"', "digitizer.input_capacitance", "capacitance"),
            ('capacitance = "70 pF"', "capacitance = []", "digitizer.input_capacitance", "one for each"),
            ('"70 pF"', '["70 pF", "1 pF", "1 pF"]', "digitizer.input_capacitance", "one for each"),
            ('"15 pF"', '"15 ohm"', "digitizer.input_capacitance_tolerance", "unit of resistance"),
            ('"15 pF"', '"-15 pF"', "digitizer.input_capacitance_tolerance", "cannot be"),
            ('input_capacitance = "70 pF"\n', "", "digitizer.input_capacitance_tolerance", "not stated"),
            ('inductance = "5 nH"', 'capacitance_tolerance = "5 pF"', "shunt.capacitance_tolerance",
             "not stated"),
            ('resistance = "10 ohm"', 'resistance = "0 ohm"', "shunt.resistance", "positive"),
            ('resistance = "10 ohm"', "resistance = 10", "shunt.resistance", "no unit"),
            ('"0.1 %"', '"0.1 V"', "shunt.tolerance", "resistance"),
            ('capacitance = "0.9 pF"', 'inductance = "1 nH"', "standards.open.inductance", "unknown key"),
            ('kind = "capacitor"', 'kind = "capacitator"', "standards.mica.kind", "did you mean capacitor"),
            ('kind = "capacitor"\n', "", "standards.mica", "no such kind"),
            ('"0.25 mT"', '"0.25 mH"', "limits.flux_density", "unit of inductance"),
        ],
    )  # fmt: skip
    def test_every_fault_has_key_line_and_remedy(self, old, new, key, what):
        text = changed(old, new)
        with pytest.raises(InputError, match=re.escape(what)) as caught:
            load_bench(write(text))
        error = caught.value
        assert key in error.where
        assert error.allowed or error.next_step
        number = int(re.search(r"line (\d+)", error.where)[1]) if "line" in error.where else 0
        if new:
            named = key.rsplit(".", 1)[-1]
            line = text.splitlines()[number - 1]
            assert named in line or key.split(".")[-2] in line
        assert "more fault" not in error.next_step

    def test_all_faults_at_once(self):
        text = changed('"20 ms"', "20").replace('"0.1 %"', '"1 V"').replace("[1, 2]", "[1]")
        with pytest.raises(InputError) as caught:
            load_bench(write(text))
        assert "settle" in caught.value.where
        assert "2 more faults" in caught.value.next_step
        assert "digitizer.channels" in caught.value.next_step
        assert "shunt.tolerance" in caught.value.next_step

    def test_a_tolerance_of_nothing(self):
        with pytest.raises(InputError, match="share of nothing"):
            load_bench(write(changed('inductance = "4 nH"\ntolerance = "2 nH"', 'tolerance = "2 %"')))

    def test_the_lowest_above_the_highest(self):
        limits = 'limits = { lowest_frequency = "2 kHz", highest_frequency = "1 kHz" }'
        text = changed('limits.highest_level_vpp = "5 V"', limits)
        with pytest.raises(InputError, match="lowest is above the highest"):
            load_bench(write(text))


class TestPage:
    def test_every_key_is_on_it(self):
        tables = (TopTable, SourceTable, SourceLimitsTable, DigitizerTable, ShuntTable, LimitsTable)
        keys = {key for table in (*tables, *STANDARDS.values()) for key in table.model_fields}
        keys = {key for key in keys if not key.endswith("_tolerance")} | set(STANDARDS) | set(FORMULAS)
        assert sorted(key for key in keys if f"`{key}`" not in PAGE and f"{key} " not in PAGE) == []

    def test_every_command_of_a_table_is_on_it(self):
        keys = {*command_table._SOURCE_ACTIONS, *command_table._DIGITIZER_ACTIONS}
        fields = {
            field
            for actions in (command_table._SOURCE_ACTIONS, command_table._DIGITIZER_ACTIONS)
            for names in actions.values()
            for field in names
        }
        missing = [key for key in keys if f"`{key}`" not in PAGE]
        missing += [field for field in fields if f"{{{field}}}" not in PAGE]
        assert missing == []

    def test_the_shipped_tables_are_named(self):
        for name in command_table.shipped_tables():
            assert f"`{name}`" in PAGE


class Plugged:
    """What a plug-in returns; it only has to be there."""

    def __init__(self, settings):
        self.settings, self.closed = settings, False

    def close(self):
        self.closed = True


class TestOpening:
    def plug_in(self, monkeypatch, value):
        points = EntryPoints([EntryPoint("oven", value, "whichcore.instruments")])
        monkeypatch.setattr("whichcore.bench.load.entry_points", lambda **_: points)
        monkeypatch.setattr("whichcore.bench.opening.Plugged", Plugged, raising=False)
        return load_bench(write(changed('"scpi-source"', '"oven"')))

    def test_a_plug_in(self, monkeypatch):
        settings = self.plug_in(monkeypatch, "whichcore.bench.opening:Plugged")
        with open_bench(settings) as opened:
            source = opened.bench.source
            assert source.settings is settings
        assert source.closed

    @pytest.mark.parametrize("value", ["whichcore.none:Plugged", "whichcore.bench:none", "math:pi"])
    def test_a_broken_plug_in(self, monkeypatch, value):
        settings = self.plug_in(monkeypatch, value)
        with pytest.raises(InstrumentError, match="driver cannot be used"), open_bench(settings):
            pass

    def test_one_program_at_a_time(self, tmp_path):
        settings = load_bench(write())
        with open_bench(settings) as opened:
            assert opened.bench.shunt_ohm == 10.0
            assert opened.operator is None
            with pytest.raises(InstrumentError, match="another program"), open_bench(settings):
                pass
        with AddressLock(tmp_path / "home" / "locks", settings.source.address):
            pass

    def test_the_virtual_bench_answers(self):
        with open_bench(load_bench("virtual")) as opened:
            opened.operator.fit("load")
            source, digitizer = opened.bench.source, opened.bench.digitizer
            assert "Virtual" in source.identity
            assert source.output_is_on() is False
            source.frequency_hz, source.level_vpp = 1e6, 1.0
            source.output_on()
            interval = digitizer.set_interval(1e-8)
            digitizer.set_points(1000)
            capture = digitizer.acquire(1e6, 0.0, threading.Event())
            assert capture.samples.shape == (2, 1000)
            assert capture.interval_s == interval
            source.output_off()
            assert source.output_is_on() is False
            opened.operator.fit("bin-h")
            assert opened.virtual.do(state=True)["turns"] == 10  # practice: the bench's usual winding
            with pytest.raises(InstrumentError, match="no such fixture"):
                opened.operator.fit("oven")
