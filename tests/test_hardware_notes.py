"""The hardware notes: drawings, numbers on the pages, the list of the first hour, and the circuits."""

import cmath
import math
import os
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from itertools import combinations, pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy import constants, integrate

ROOT = Path(__file__).resolve().parents[1]
NOTES = ROOT / "hardware-notes"
PAGES = sorted(NOTES.glob("*.md"))
PHONE_PX, SMALLEST_PX = 360, 9  # practice: width of a phone held upright, smallest letters still read


@pytest.fixture(scope="module", autouse=True)
def scripts():
    """Let the scripts of the notes be imported as they import each other."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(NOTES))
        yield


def texts_of(svg):
    return [item.text for item in ET.fromstring(svg).iter() if item.tag.endswith("text")]  # noqa: S314


def si(text):
    """A quantity in its plain unit, and that unit."""
    number, unit = text.split()
    prefix = unit[0] if len(unit) > 1 else ""
    return float(number) * {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0}[prefix], unit[-1]


def words(path):
    return " ".join(path.read_text(encoding="utf-8").split())


# --- drawings -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def drawn():
    from draw_schematics import drawn  # noqa: PLC0415 - found by the fixture above

    return drawn()


def test_the_drawings_are_those_of_their_sources(drawn):
    kept = {path.name: path.read_text(encoding="utf-8") for path in (NOTES / "images").glob("*")}
    assert sorted(kept) == sorted(drawn)
    changed = [name for name in kept if kept[name] != drawn[name]]
    assert changed == [], "run python hardware-notes/draw_schematics.py"


def test_every_drawing_is_on_a_page_for_light_and_for_dark(drawn):
    text = "".join(path.read_text(encoding="utf-8") for path in PAGES)
    light = re.findall(r'<img src="images/([\w-]+)\.svg" alt="[^"]{40,}">', text)
    dark = re.findall(
        r'<source media="\(prefers-color-scheme: dark\)" srcset="images/([\w-]+)-dark\.svg">', text
    )
    assert light == dark
    assert sorted([f"{n}.svg" for n in light] + [f"{n}-dark.svg" for n in dark]) == sorted(drawn)


def test_letters_can_be_read_on_a_phone(drawn):
    for name, svg in drawn.items():
        root = ET.fromstring(svg)  # noqa: S314 - our own
        width = float(root.attrib["viewBox"].split()[2])
        sizes = [float(g.attrib["font-size"]) for g in root.iter() if "font-size" in g.attrib]
        assert min(sizes) * PHONE_PX / width >= SMALLEST_PX, name
        assert root[0].text, name
        assert root[1].text, name
        paper = "#14181D" if "-dark" in name else "#FFFFFF"
        assert root[2].attrib["fill"] == paper, name


def test_no_text_covers_another():
    from draw_schematics import PICTURES  # noqa: PLC0415
    from schematics.sheet import Sheet  # noqa: PLC0415

    from whichcore.figures.style import LIGHT  # noqa: PLC0415

    for picture in PICTURES:
        sheet = Sheet(LIGHT)
        picture.draw(sheet)
        for a, b in combinations(sheet._texts, 2):
            (al, at, ar, ab), (bl, bt, br, bb) = a.ink(), b.ink()
            clear = max(bl - ar, al - br, bt - ab, at - bb)
            assert clear > -1e-6, f"{picture.name}: {a.words} and {b.words}"


def segments(svg):
    """Straight pieces of what is drawn, (x1, y1, x2, y2)."""
    for path in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}path"):  # noqa: S314
        for run in re.split(r"(?=M )", path.attrib["d"]):
            points = re.findall(r"[ML] (-?[\d.]+),(-?[\d.]+)", run)
            for start, end in pairwise(points):
                yield tuple(map(float, (*start, *end)))


def crosses(segment, box):
    """Whether a segment has a point inside a box: clipped at its edges (Liang, Barsky 1984, memory)."""
    x1, y1, x2, y2 = segment
    left, top, right, bottom = box
    low, high = 0.0, 1.0
    for step, room in (
        (x1 - x2, x1 - left),
        (x2 - x1, right - x1),
        (y1 - y2, y1 - top),
        (y2 - y1, bottom - y1),
    ):
        if step == 0:
            if room < 0:
                return False
        elif step < 0:
            low = max(low, room / step)
        else:
            high = min(high, room / step)
    return low < high


def test_no_line_runs_through_a_text(drawn):
    from draw_schematics import PICTURES  # noqa: PLC0415
    from schematics.sheet import Sheet  # noqa: PLC0415

    from whichcore.figures.style import LIGHT  # noqa: PLC0415

    assert crosses((0, 0, 10, 10), (4, 4, 6, 6))
    assert not crosses((0, 0, 10, 10), (6, 1, 9, 4))
    for picture in PICTURES:
        sheet = Sheet(LIGHT)
        picture.draw(sheet)
        lines = list(segments(drawn[f"{picture.name}.svg"]))
        assert lines, picture.name
        for text in sheet._texts:
            left, top, right, bottom = text.ink()
            # letters are some 0.55 of the size wide on average, and 0.7 high
            shrunk = 0.08 * (right - left)
            ink = (left + shrunk, top + 4, right - shrunk, bottom - 4)
            assert not any(crosses(line, ink) for line in lines), f"{picture.name}: {text.words}"


def test_the_wirings_name_the_nodes_as_everywhere(drawn):
    for name in ("shunt-at-ground", "specimen-at-ground", "two-windings"):
        for end in ("scope", "sound"):
            texts = texts_of(drawn[f"{name}-{end}.svg"])
            for node in "AB":
                assert texts.count(node) == 2, "once at the node, once at the input"


def test_the_fixtures_drawn_are_what_the_virtual_bench_has_on_its_labels(drawn):
    from whichcore.bench import load_bench  # noqa: PLC0415

    drawn_values = [si(text) for text in texts_of(drawn["fixtures.svg"]) if text[0].isdigit()]
    standards = load_bench("virtual").standards
    for name, fields in {
        "open": {"capacitance_f": "F"},
        "short": {"inductance_h": "H", "resistance_ohm": "Ω"},
        "load": {"resistance_ohm": "Ω", "inductance_h": "H", "capacitance_f": "F"},
        "capacitor": {"capacitance_f": "F", "series_resistance_ohm": "Ω", "inductance_h": "H"},
    }.items():
        for field, unit in fields.items():
            value = getattr(standards[name], field)
            wanted = pytest.approx(float(getattr(value, "value", value)), rel=1e-9)
            assert (wanted, unit) in drawn_values, f"{name}: {field}"


def test_the_parts_drawn_are_those_that_the_numbers_are_worked_out_for(drawn):
    import example as notes  # noqa: PLC0415

    from whichcore.wording import quantity  # noqa: PLC0415

    series, side = (quantity(ohm, "Ω") for ohm in notes.PADS[20])
    assert sorted(t for t in texts_of(drawn["pad.svg"]) if "Ω" in t) == sorted([series, side, side])
    blocking = texts_of(drawn["choke-and-capacitor.svg"])
    assert f"{notes.CHOKE_TURNS} turns of coax" in blocking
    (pair,) = [text for text in blocking if "µF" in text]
    assert 1 / sum(1 / si(part)[0] for part in pair.split(", ")) == pytest.approx(notes.BLOCKING_F)
    assert {
        quantity(notes.PROTECT_OHM, "Ω"),
        quantity(notes.LEAK_OHM, "Ω"),
        f"+{notes.RAIL_V:g} V",
        f"−{notes.RAIL_V:g} V",
    } <= set(texts_of(drawn["buffer.svg"]))
    for name in ("shunt-at-ground", "specimen-at-ground", "two-windings"):
        for end, shunt in (("scope", notes.SHUNTS_OHM[1]), ("sound", notes.CARD_SHUNT_OHM)):
            texts = texts_of(drawn[f"{name}-{end}.svg"])
            assert {quantity(shunt, "Ω"), quantity(notes.BLOCKING_F, "F")} <= set(texts)


# --- numbers on the pages -----------------------------------------------------------------------------------

UNIT = r"(?:[mkM]?Ω|[mµ]?V|[mµ]?A|[mµ]?W|[kM]?Hz|[nµm]H|[pnµ]F|[mµ]T|mrad|dB|%|ppm/K|K/W|K|A/m|times|m?s)"
QUANTITY = re.compile(rf"(?<![\w.])\d[\d ,.]*(?:(?: to | or |, )\d[\d.]*)* {UNIT}(?![\w/])")
LABEL = re.compile(r"\b(?:practice|memory)\b|Practice")
# what we chose: values and ratings of parts, settings, and the cases that are worked out
CHOSEN = {
    *("1 Ω", "10 Ω", "1 or 10 Ω", "49.9 Ω", "50 Ω", "51.1 Ω", "61.9 Ω", "100 Ω", "200 Ω", "249 Ω", "2490 Ω"),
    *(
        "0.1 Ω",
        "1 kΩ",
        "1 MΩ",
        "20 MΩ",
        "0.1 %",
        "1 %",
        "0.25 W",
        "0.5 W",
        "5 V",
        "16 V",
        "75 V",
        "10 mV",
        "1 V",
    ),
    *(
        "20 V",
        "1 nF",
        "100 nF",
        "10 µF",
        "220 µF",
        "5 pF",
        "70 pF",
        "2 nH",
        "5 nH",
        "20 dB",
        "40 dB",
        "20 times",
    ),
    *("1 kHz", "10 kHz", "100 kHz", "3 MHz", "10 MHz", "20 MHz", "96 or 192 kHz", "0.25 mT", "0.1 s"),
}
DRAWN = {"1 pF", "4 nH", "0.4 pF", "6 nH"}  # of the fixtures; held by the test of their drawing


def generated(text):
    return re.sub(r"<!-- table: \w+ -->.*?<!-- end of table -->", "", text, flags=re.DOTALL)


def blocks(page):
    """Paragraphs, items of lists and rows of tables, each as one line; no code, no tables from scripts."""
    text = re.sub(
        r"^```.*?^```$", "", generated(page.read_text(encoding="utf-8")), flags=re.DOTALL | re.MULTILINE
    )
    parts = re.split(r"\n\s*\n|\n(?=\s*(?:- |\d+\. |\|))", text)
    return [" ".join(part.split()) for part in parts if part.strip()]


def unlabelled(lines, claimed):
    """Quantities of a page that no claim works out, that nobody chose and that carry no label."""
    left = []
    for block in lines:
        if LABEL.search(block):
            continue
        rest = block
        for claim in claimed:
            rest = rest.replace(" ".join(claim.split()), "…")
        left += [found[0] for found in QUANTITY.finditer(rest) if found[0] not in CHOSEN | DRAWN]
    return left


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_what_a_page_works_out_is_right(page):
    from claims import claims  # noqa: PLC0415

    text = words(page)
    missing = [claim for claim in claims().get(page.stem, ()) if " ".join(claim.split()) not in text]
    assert missing == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_every_number_of_a_page_is_worked_out_or_chosen_or_labelled(page):
    from claims import claims  # noqa: PLC0415

    assert unlabelled(blocks(page), claims().get(page.stem, ())) == []


def test_the_search_for_numbers_can_fail():
    assert unlabelled(["It takes 17.3 mW at 10 Ω."], ()) == ["17.3 mW"]
    assert unlabelled(["It takes 17.3 mW at 10 Ω."], ("takes 17.3 mW",)) == []
    assert unlabelled(["It takes 17.3 mW (practice)."], ()) == []
    assert unlabelled(["| 3 dB | 12 to 15 nH |", "5.2, 6 or 7 %"], ()) == [
        "3 dB",
        "12 to 15 nH",
        "5.2, 6 or 7 %",
    ]


# --- the first hour -----------------------------------------------------------------------------------------


def test_the_tables_of_the_first_hour_are_those_of_the_program():
    from make_first_hour import PAGE, filled  # noqa: PLC0415

    page = PAGE.read_text(encoding="utf-8")
    assert filled(page) == page, "run python hardware-notes/make_first_hour.py"


def test_the_page_of_the_first_hour_needs_its_marks():
    from make_first_hour import filled  # noqa: PLC0415

    with pytest.raises(SystemExit, match="0 places for the table facts"):
        filled("nothing")


def test_the_bench_of_the_notes_is_the_virtual_one_but_for_its_lowest_level():
    from example import generator_bench  # noqa: PLC0415

    from whichcore.bench import load_bench  # noqa: PLC0415
    from whichcore.measure.plan_bench import plan_bench  # noqa: PLC0415

    notes, virtual = generator_bench(), plan_bench(load_bench("virtual"))
    for name in ("shunt_ohm", "output_ohm", "smallest_range_vpp", "steps", "flux_density_t"):
        assert getattr(notes, name) == getattr(virtual, name), name
    assert notes.level_vpp[1] == virtual.level_vpp[1]


def example(name):
    text = (NOTES / "first-hour.md").read_text(encoding="utf-8")
    (found,) = re.findall(rf"<!-- example: {name} -->\n```toml\n(.*?)```", text, re.DOTALL)
    return found


def test_the_bench_file_of_the_first_hour_is_that_of_the_notes(tmp_path):
    from example import HIGHEST_VPP, LOWEST_VPP, SCOPE_F  # noqa: PLC0415

    from whichcore.bench import load_bench  # noqa: PLC0415
    from whichcore.calibration.standards import nominal  # noqa: PLC0415

    (tmp_path / "bench.toml").write_text(example("bench.toml"), encoding="utf-8")
    own, virtual = load_bench(str(tmp_path / "bench.toml")), load_bench("virtual")
    assert own.source_limits.level_vpp == (LOWEST_VPP, HIGHEST_VPP)
    assert nominal(own.shunt.resistance_ohm) == 10.0
    assert nominal(own.shunt.capacitance_f) == SCOPE_F
    for name in ("open", "short", "load", "capacitor"):  # drawn with the same values
        assert own.standards[name] == virtual.standards[name]


def test_the_specimen_file_of_the_first_hour_is_the_ring_of_the_notes(tmp_path):
    from example import RING  # noqa: PLC0415

    from whichcore import load_specimen  # noqa: PLC0415

    (tmp_path / "ring.toml").write_text(example("ring.toml"), encoding="utf-8")
    own = load_specimen(tmp_path / "ring.toml")
    assert own.core == RING.core
    assert own.winding == RING.winding
    assert own.temperature_c == RING.temperature_c


def rows(name):
    from make_first_hour import tables  # noqa: PLC0415

    return [
        [cell.strip() for cell in line.strip("| ").split(" | ")] for line in tables()[name].splitlines()[2:]
    ]


def volts(cell):
    value, unit = si(cell)
    assert unit == "V"
    return value


@pytest.mark.parametrize("fixture", ["short", "open"])
def test_short_and_open_of_the_first_hour_on_the_circuit_of_the_virtual_bench(fixture):
    """Independent code: nodal solution of the virtual bench; its parts are 0.2 % off their labels."""
    from whichcore.analysis.types import Wiring  # noqa: PLC0415
    from whichcore.rig.virtual import Setup, node_voltages  # noqa: PLC0415
    from whichcore.rig.virtual.fixtures import fixture as fixture_of  # noqa: PLC0415

    for wiring, ohm, *cells in rows("voltages"):
        setup = Setup(Wiring(wiring.strip("`")), fixture_of(fixture), shunt_ohm=float(ohm.split()[0]))
        seen = [abs(v[0]) for v in node_voltages(setup, np.array([1e4]), 0.5)]
        said = [volts(cell) for cell in (cells[:2] if fixture == "short" else cells[2:])]
        # two leads of 11 milliohm and 38 nH, and the inputs, are what the list leaves out: 0.5 mV of 0.5 V,
        # and 2.5 % of a shunt of 1 ohm
        assert seen == pytest.approx(said, rel=0.026, abs=6e-4)


def test_voltages_behind_a_pad_on_the_circuit_of_the_virtual_bench():
    """Independent code: the matched pad of the virtual bench, which is 0.02 dB from what is printed on it."""
    from whichcore.analysis.types import Wiring  # noqa: PLC0415
    from whichcore.rig.virtual import Setup, node_voltages  # noqa: PLC0415
    from whichcore.rig.virtual.fixtures import fixture as fixture_of  # noqa: PLC0415

    for pad, opened, short, load_a, load_b in rows("padded"):
        db = 0.0 if pad == "none" else float(pad.split()[0])
        seen = {}
        for name in ("open", "short", "load"):
            setup = Setup(Wiring.SHUNT_AT_GROUND, fixture_of(name), shunt_ohm=10.0, pad_db=db)
            seen[name] = [abs(v[0]) for v in node_voltages(setup, np.array([1e4]), 0.5)]
        found = [seen["open"][0], seen["short"][1], *seen["load"]]
        said = [volts(cell) for cell in (opened, short, load_a, load_b)]
        # resistors of the E96 row, 0.098 dB, and the 0.02 dB: 1.37 %; 0.06 % by rounding the list
        assert found == pytest.approx(said, rel=0.0145)


def test_levels_of_the_first_hour_are_voltages_of_the_dividers():
    """Analytic: B/A of a reactive core is the shunt over the whole, and B at 1 V scales with the level."""
    for _, hertz, _, level, _, a, b, at_one_volt in rows("levels"):
        assert volts(b) < volts(a) < volts(level) / 2, hertz
        assert si(at_one_volt)[0] * volts(level) == pytest.approx(0.25e-3, rel=0.01)  # three digits each
    # computed by hand: ω N A_e B/1.282 = 0.600 mV of 10 turns at 1 kHz (IEC 60205, 48.93 mm²); over 102.2 nH
    # and permeability 10 000 that is 93.5 µA, and 0.94 mV at 10 ohm
    (row,) = [row for row in rows("levels") if row[0] == "10000" and row[1] == "1 kHz"]
    assert volts(row[6]) == pytest.approx(0.938e-3, rel=0.005)


# --- the arithmetic -----------------------------------------------------------------------------------------


def test_a_matched_pad_loses_what_it_says_and_looks_like_its_impedance():
    """Analytic: nodal analysis against the handbook formula, 0.1 to 60 dB."""
    from arithmetic import behind_pi, decibel, matched_pi_ohm  # noqa: PLC0415

    for db in (0.1, 3.0, 20.0, 60.0):
        series, side = matched_pi_ohm(db, 50.0)
        share, output = behind_pi(series, side, 50.0)
        assert decibel(share) == pytest.approx(db, abs=1e-9)
        assert output == pytest.approx(50.0, rel=1e-9)


def test_the_inductance_of_a_wire_is_that_of_two_filaments():
    """Analytic: Neumann's integral between the axis and a line on the surface; ends are a/l of it."""
    from arithmetic import wire_inductance_h  # noqa: PLC0415

    length, radius = 10e-3, 0.1e-3
    inner = integrate.quad(
        lambda x: math.asinh((length - x) / radius) + math.asinh(x / radius), 0, length, epsrel=1e-10
    )[0]
    neumann = constants.mu_0 / (4 * math.pi) * inner
    assert wire_inductance_h(length, radius) == pytest.approx(neumann, rel=radius / length)


def test_the_inductance_of_a_strip_is_that_of_its_mean_distance():
    """Analytic: a thin strip has ln of the geometric mean distance ln w − 3/2, here integrated."""
    from arithmetic import strip_inductance_h  # noqa: PLC0415

    mean_log = (
        integrate.dblquad(
            lambda y, x: math.log(abs(x - y) or 1e-300), 0, 1, lambda _: 0, lambda x: x, epsabs=1e-6
        )[0]
        * 2
    )
    length, width = 100e-3, 5e-3
    expected = constants.mu_0 * length / (2 * math.pi) * (math.log(2 * length / width) - mean_log - 1)
    assert strip_inductance_h(length, width, 0.0) == pytest.approx(expected, rel=1e-4)


def test_an_offset_biases_as_stated_elsewhere():
    """Computed: 10 mV behind 60 ohm, ten turns, 60.18 mm, permeability 10 000 are some 0.35 mT."""
    from arithmetic import bias_t  # noqa: PLC0415

    assert bias_t(10e-3 / 60, 10, 60.18e-3, 1e4) == pytest.approx(0.348e-3, abs=0.5e-6)


# --- the circuits, against ngspice --------------------------------------------------------------------------


def spice(folder, lines, control, columns):
    """Run a deck and return the columns that it writes."""
    if shutil.which("ngspice") is None:
        missing = "ngspice is not installed (apt-get install ngspice)"
        if os.environ.get("WHICHCORE_NO_SKIP"):
            pytest.fail(missing)
        pytest.skip(missing)
    data, deck = folder / "out.txt", folder / "deck.cir"
    options = ".options reltol=1e-7 abstol=1e-15 vntol=1e-12 temp=26.85 tnom=26.85"
    block = [".control", "set numdgt=15", "set wr_singlescale", control, f"wrdata {data} {columns}", ".endc"]
    deck.write_text("\n".join(["notes", options, *lines, *block, ".end", ""]), encoding="utf-8")
    done = subprocess.run(["ngspice", "-b", str(deck)], capture_output=True, text=True, check=False)
    assert data.exists(), done.stdout + done.stderr  # a wrong deck may end with 0 all the same
    return np.loadtxt(data).T


def phasors(table):
    """Return the frequencies and the complex columns."""
    return table[0], table[1::2] + 1j * table[2::2]


def test_ngspice_finds_the_voltages_of_two_windings(tmp_path):
    """Independent code: ngspice; two coupled coils, 10 kHz, 0.5 V peak behind 50 ohm.

    The resistor across them is the relaxation of the planner's ferrite: 2π f_r L, f_r by Snoek's product. The
    list counts copper and leads as well, 62 mohm and 50 nH of some 60 ohm.
    """
    from example import inductance_h  # noqa: PLC0415

    from whichcore.analysis.plan_point import SNOEK_PRODUCT_HZ  # noqa: PLC0415

    lines, columns = ["V1 e 0 ac 0.5"], []
    for k, (permeability, *_) in enumerate(rows("second")):
        coil = inductance_h(10, float(permeability))
        lines += [f"R{k} e p{k} 50", f"La{k} p{k} b{k} {coil}", f"Rs{k} b{k} 0 10", f"Lb{k} a{k} 0 {coil}"]
        lines += [
            f"K{k} La{k} Lb{k} 1",
            f"Ra{k} a{k} 0 {2 * math.pi * SNOEK_PRODUCT_HZ / (float(permeability) - 1) * coil}",
        ]
        columns += [f"v(a{k})", f"v(b{k})"]
    _, found = phasors(spice(tmp_path, lines, "ac lin 1 10k 10k", " ".join(columns)))
    for k, (_, second, shunt) in enumerate(rows("second")):
        for seen, said in ((found[2 * k], volts(second)), (found[2 * k + 1], volts(shunt))):
            half_digit = 0.5 * 10.0 ** (math.floor(math.log10(said)) - 2)
            assert abs(seen) == pytest.approx(said, abs=half_digit + 0.0015 * said)
        # starts of both windings at source and A: the second leads the current by a quarter of a period
        assert cmath.phase(found[2 * k] / found[2 * k + 1]) == pytest.approx(math.pi / 2, abs=0.015)


@pytest.mark.parametrize("db", [20, 40])
def test_ngspice_finds_the_loss_and_the_source_of_each_pad(tmp_path, db):
    """Independent code: ngspice; open circuit, and loaded with 60 ohm."""
    from arithmetic import behind_pi  # noqa: PLC0415
    from example import PADS  # noqa: PLC0415

    series, side = PADS[db]
    lines = ["V1 e 0 ac 1", "Vz a9 0 0", "R9 a9 0 1"]
    for k, load in enumerate((1e12, 60.0)):
        lines += [
            f"Ro{k} e g{k} 50",
            f"R1{k} g{k} 0 {side}",
            f"R2{k} g{k} n{k} {series}",
            f"R3{k} n{k} 0 {side}",
        ]
        lines.append(f"RL{k} n{k} 0 {load}")
    _, (opened, loaded) = phasors(spice(tmp_path, lines, "ac lin 1 10k 10k", "v(n0) v(n1)"))
    share, output = behind_pi(series, side, 50.0)
    assert abs(opened).item() == pytest.approx(share, rel=1e-9)
    assert abs(loaded).item() == pytest.approx(share * 60 / (60 + output), rel=1e-9)


def test_ngspice_finds_the_corner_and_the_resonance_of_the_blocking_capacitor(tmp_path):
    """Independent code: ngspice; 110 µF with 60 ohm, and with 40 turns at permeability 10 000."""
    from arithmetic import corner_hz, resonance_hz  # noqa: PLC0415
    from example import BLOCKING_F, inductance_h  # noqa: PLC0415

    coil = inductance_h(40, 1e4)
    lines = ["V1 e 0 ac 1", "Ra e a 50", f"Ca a b {BLOCKING_F}", "Sx b 0 b 0 none", "Rb b 0 10"]
    lines = [line for line in lines if not line.startswith("S")]
    lines += ["Rc e c 50", f"Cc c d {BLOCKING_F}", f"Lc d f {coil}", "Rf f 0 10"]
    f, (short, wound) = phasors(spice(tmp_path, lines, "ac dec 4000 10 1k", "v(b) v(f)"))
    step = math.log(10) / 4000  # of the grid
    at = f[np.argmin(np.abs(np.abs(short) - 10 / 60 / math.sqrt(2)))]
    assert math.log(at / corner_hz(60.0, BLOCKING_F)) == pytest.approx(0, abs=step)
    at = f[np.argmax(np.abs(wound))]
    assert math.log(at / resonance_hz(coil, BLOCKING_F)) == pytest.approx(0, abs=step)
    lost = -20 * math.log10(abs(short[-1]) * 6)
    assert lost == pytest.approx(0.0025, abs=0.00005)  # what the page says of 1 kHz


def test_ngspice_finds_the_share_of_the_current_that_goes_through_earth(tmp_path):
    """Independent code: ngspice; inner conductor and screen as two coupled coils, with and without choke."""
    from arithmetic import loop_share  # noqa: PLC0415
    from example import EARTH_H, EARTH_OHM, SCREEN_OHM, inductance_h  # noqa: PLC0415

    choke = inductance_h(20, 2300.0)
    lines = ["V1 e 0 ac 1", "Ro e in 50"]
    for k, coil in enumerate((1e-12, choke)):
        lines += [
            f"Ri{k} in p{k} 1u", f"L1{k} p{k} q{k} {coil}", f"Vm{k} q{k} r{k} 0", f"Rl{k} r{k} g{k} 10",
            f"L2{k} s{k} g{k} {coil}", f"Rs{k} 0 s{k} {SCREEN_OHM}", f"K{k} L1{k} L2{k} 1",
            f"Ve{k} g{k} h{k} 0", f"Re{k} h{k} i{k} {EARTH_OHM}", f"Le{k} i{k} 0 {EARTH_H}",
        ]  # fmt: skip
    columns = "i(vm0) i(ve0) i(vm1) i(ve1)"
    f, (all0, earth0, all1, earth1) = phasors(spice(tmp_path, lines, "ac dec 5 10 1meg", columns))
    for hertz, bare, choked in zip(f, earth0 / all0, earth1 / all1, strict=True):
        assert bare == pytest.approx(loop_share(hertz, SCREEN_OHM, EARTH_OHM, EARTH_H, 0.0), rel=1e-5)
        assert choked == pytest.approx(loop_share(hertz, SCREEN_OHM, EARTH_OHM, EARTH_H, choke), rel=1e-5)


def test_ngspice_finds_what_strings_of_diodes_take(tmp_path):
    """Independent code: ngspice, one period in time; 0.1, 0.5 and 1 V peak behind 1 kilohm."""
    from arithmetic import string_clamp  # noqa: PLC0415
    from example import DIODE_A, DIODE_EMISSION, PROTECT_OHM  # noqa: PLC0415

    lines = [f".model small D(IS={DIODE_A} N={DIODE_EMISSION})"]
    peaks = (0.1, 0.5, 1.0)
    for k, peak in enumerate(peaks):
        lines += [f"V{k} e{k} 0 sin(0 {peak} 1k)", f"R{k} e{k} n{k} {PROTECT_OHM}"]
        lines += [
            f"D1{k} n{k} m{k} small",
            f"D2{k} m{k} 0 small",
            f"D3{k} 0 o{k} small",
            f"D4{k} o{k} n{k} small",
        ]
    table = spice(tmp_path, lines, "tran 1u 1m 0 1u", "v(n0) v(n1) v(n2)")
    grid = (np.arange(2000) + 0.5) / 2e6
    for k, peak in enumerate(peaks):
        wave = np.interp(grid, table[0], table[1 + k])
        first, third = (2 * np.mean(wave * np.sin(2e3 * np.pi * n * grid)) / peak for n in (1, 3))
        own = string_clamp(peak, PROTECT_OHM, DIODE_A, DIODE_EMISSION, 2)
        # steps of a thousandth of a period leave (π²/3)·1e-6 in time and a straight line between them
        assert first == pytest.approx(own[0], abs=1e-5)
        assert abs(third) == pytest.approx(own[1], abs=1e-5)


def test_ngspice_finds_the_phase_of_the_protected_follower(tmp_path):
    """Independent code: ngspice; a follower of 100 dB and one pole, behind 1 kilohm and 15 pF."""
    from arithmetic import corner_hz, low_pass  # noqa: PLC0415
    from example import CARD_TOP_HZ, LEAK_OHM, NODE_F, PROTECT_OHM, UNITY_GAIN_HZ  # noqa: PLC0415

    gain = 1e5
    lines = ["V1 e 0 ac 1", f"Rp e p {PROTECT_OHM}", f"Cp p 0 {NODE_F}", f"Rq p 0 {LEAK_OHM}"]
    lines += ["G1 0 x p o 1", f"Rx x 0 {gain}", f"Cx x 0 {1 / (2 * math.pi * UNITY_GAIN_HZ)}", "E1 o 0 x 0 1"]
    lines += ["Ro o s 100", "Cs s 0 200p"]
    f, (out,) = phasors(spice(tmp_path, lines, f"ac lin 3 1k {CARD_TOP_HZ:.0f}", "v(o)"))
    for hertz, seen in zip(f, out, strict=True):
        own = low_pass(hertz, corner_hz(PROTECT_OHM, NODE_F)) * low_pass(hertz, UNITY_GAIN_HZ)
        # 1 megohm beside 1 kilohm: 0.1 % of size and of the phase of the node
        assert abs(seen) == pytest.approx(abs(own), rel=1.1e-3)
        assert cmath.phase(seen) == pytest.approx(cmath.phase(own), abs=1e-5)


def test_ngspice_finds_what_the_capacitance_of_diodes_does_at_node_b(tmp_path):
    """Independent code: ngspice, a pair of diodes of 2 pF each without bias at 1 MHz, 10 ohm and 1 kilohm."""
    lines = [".model small D(IS=4n N=1.9 CJO=2p VJ=0.7 M=0.4)", "V1 e 0 ac 1"]
    for k, ohm in enumerate((10.0, 1e3)):
        lines += [f"I{k} 0 n{k} ac 1", f"R{k} n{k} 0 {ohm}", f"D1{k} n{k} 0 small", f"D2{k} 0 n{k} small"]
    _, (low, high) = phasors(spice(tmp_path, lines, "ac lin 1 1meg 1meg", "v(n0) v(n1)"))
    # what the page says; the tolerance is half its last digit
    assert -1e3 * cmath.phase(low.item()) == pytest.approx(0.25, abs=0.005)
    assert -1e3 * cmath.phase(high.item()) == pytest.approx(25, abs=0.5)
