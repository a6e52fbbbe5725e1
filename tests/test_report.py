"""Reports: what they say and in which order, that nothing in a file harms them, and that they print."""

import base64
import hashlib
import importlib.util
import json
import math
import re
import subprocess
import warnings
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import html5lib
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from whichcore.analysis.materials import Library
from whichcore.analysis.types import Wiring
from whichcore.calibration.fingerprint import Fingerprint
from whichcore.calibration.ratio import Ratio
from whichcore.calibration.setup import Setup
from whichcore.calibration.shunt import Shunt
from whichcore.calibration.standards import Toleranced
from whichcore.cli.root import root
from whichcore.errors import RecordError, UsageError
from whichcore.figures import candidates_figure, rendered
from whichcore.libraries import load_library
from whichcore.measure import StoredCalibration, save_calibration
from whichcore.measure.channel_ranges import ChannelRanges
from whichcore.records import (
    Kind,
    NewRecord,
    keep_calibration,
    keep_case,
    keep_core,
    keep_sweep,
    keep_verdict,
    open_store,
)
from whichcore.records.keep import Origin
from whichcore.report import dossier_of_files, report_of, written
from whichcore.report.document import Picture, Section, Sheet
from whichcore.report.from_record import dossier_of_record
from whichcore.verdict_words import verdict_sentence
from whichcore.web.app import REPORT_POLICY
from whichcore.web.report_call import make_report
from whichcore.workflow import Identification, Request, demo_bins

BIN = next(one.request for one in demo_bins() if one.id == "d")
WHEN = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
HEADINGS = [
    "Verdict",
    "Permeability",
    "Candidates",
    "Why",
    "What contradicts, and how good the data are",
    "Next measurement",
    "Where the uncertainty comes from",
    "Conditions",
    "Calibration",
    "Specimen",
    "Reference materials",
    "Files and checksums",
]
HOSTILE = '<script>alert("1")</script>&amp;\u202ecod.exe\u0007 ' + "x" * 3000


def _calibration(started="2026-03-01T10:00:00+00:00"):
    """Return a calibration as one is kept: the known shunt alone."""
    mark = Fingerprint(Wiring.SHUNT_AT_GROUND, "1 V", "0.1 V", shunt="shunt 1 ohm")
    grid = np.geomspace(1e3, 3e6, 9)
    model = Ratio.solve((), Setup(mark, grid, Shunt(Toleranced.within(1.0, 0.02), name="shunt 1 ohm")))
    model = replace(model, standards=("open", "short on the posts"))
    law = np.zeros((1, 4))
    ranges = ChannelRanges(np.ones(1), np.ones(1), law, law, np.zeros((1, 1)), np.zeros((1, 1)))
    drift = {"part": "short", "worst_hz": 1e6, "worst_change": 0.0012}
    return StoredCalibration(model, ranges, {"bench": "own", "started": started, "drift": drift})


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with the files of a core, and an empty home."""
    folder = tmp_path_factory.mktemp("report")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("WHICHCORE_HOME", str(folder / "home"))
        patch.delenv("WHICHCORE_RECORDS", raising=False)
        stored = _calibration()
        save_calibration(stored, folder / "calibration.npz")
        sweep = BIN.sweep.read_text("utf-8").replace(
            "calibration: open-short-load",
            f"calibration: {stored.model.calibration_id}\n# started: 2026-03-01T15:30:00+00:00",
        )
        (folder / "sweep.csv").write_text(sweep, "utf-8")
        (folder / "core.toml").write_bytes(BIN.specimen.read_bytes())
        yield folder


@pytest.fixture(scope="module")
def library():
    """A dozen references around the core: enough for a verdict, and quick."""
    found = load_library("shipped").materials
    near = sorted(found, key=lambda one: abs(math.log(one.initial_permeability / 5000)))
    return Library(tuple(near[:12]))


@pytest.fixture(scope="module")
def request_(place):
    return Request(place / "core.toml", place / "sweep.csv")


@pytest.fixture(scope="module")
def dossier(place, library, request_):
    return dossier_of_files(request_, library, place / "calibration.npz", WHEN)


@pytest.fixture(scope="module")
def by_reading(place, library):
    return dossier_of_files(Request(place / "core.toml", readings=("85 uH @ 10 kHz",)), library)


@pytest.fixture(scope="module")
def page(dossier):
    return written(report_of(dossier), "html").decode()


@pytest.fixture(scope="module")
def printed(dossier, place):
    path = place / "report.pdf"
    path.write_bytes(written(report_of(dossier), "pdf"))
    return path


@pytest.fixture
def store(place, dossier, library, tmp_path):
    """A store with the verdict of the dossier; nothing is judged again."""
    with open_store(str(tmp_path / "records.sqlite")) as opened:
        keep_calibration(opened, place / "calibration.npz")
        core = keep_core(opened, place / "core.toml")
        sweep = keep_sweep(opened, place / "sweep.csv", core_id=core)
        case = Identification(dossier.specimen, dossier.sweep, library, dossier.verdict)
        opened.verdict = keep_verdict(opened, case, core, sweep, Origin(settings={"sold_as": "signal"}))
        opened.case, opened.core, opened.sweep = case, core, sweep
        yield opened


def parsed(page):
    """Independent code: html5lib, which in strict mode raises at the first error of the HTML standard."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)


def text_of(node):
    return " ".join("".join(node.itertext()).split())


def section(report, heading):
    (found,) = [one for one in report.sections if one.heading == heading]
    return found


def sheet_of(report, heading, title=""):
    return next(
        block
        for block in section(report, heading).blocks
        if isinstance(block, Sheet) and block.title.startswith(title)
    )


def poppler(*words):
    return subprocess.run([str(word) for word in words], check=True, capture_output=True, text=True).stdout


# -- what it says --------------------------------------------------------------------------------------------


def test_warnings_come_first_then_the_answer_then_the_sections_in_their_order(page, dossier):
    tree = parsed(page)
    headings = [text_of(node) for node in tree.iter("h2")]
    assert headings == ["Warnings", *HEADINGS]
    answer = verdict_sentence(dossier.verdict, dossier.names)
    told = text_of(tree.find("body"))
    assert dossier.warnings
    assert 0 < told.index(dossier.warnings[0]) < told.index(answer[1:]) < told.index("Measured μ′")
    assert f"Judged 2026-03-02 09:30 UTC by whichcore {version('whichcore')}." in told


def test_the_curve_shown_is_the_one_measured(dossier):
    """Analytic: μ′ = X/(ω μ0 N² h ln(d₂/d₁)/2π) of a sharp ring; round edges take 0.3 %, leads less."""
    picture = section(report_of(dossier), "Permeability").blocks[0]
    row = next(row for row in picture.values.rows if row[0] == "1 kHz")
    d2, d1, h, n, x = 22.05, 13.74, 7.98e-3, 5, 0.535891  # of the two files
    air = 4e-7 * math.pi * n**2 * h * math.log(d2 / d1) / (2 * math.pi)
    assert float(row[1].split(" ± ")[0]) == pytest.approx(x / (2 * math.pi * 1e3 * air), rel=0.01)
    assert picture.values.rows[-1][0] == "3 MHz"


def test_budgets_come_largest_first_and_add_up(dossier):
    for title in ("μ′ at 1 kHz", "tan δ at 3 MHz"):
        rows = sheet_of(report_of(dossier), "Where the uncertainty comes from", title).rows
        sizes = [float(row[3]) for row in rows]
        named = sizes[:-2] if "others together" in rows[-2][0] else sizes[:-1]
        assert named == sorted(named, reverse=True)
        # computed: squares add; three digits are printed
        assert math.sqrt(sum(size**2 for size in sizes[:-1])) == pytest.approx(sizes[-1], rel=0.01)


def test_calibration_age_standards_and_drift(dossier):
    rows = dict(sheet_of(report_of(dossier), "Calibration").rows)
    assert rows["id"] == dossier.calibration.model.calibration_id
    assert rows["age at the sweep"] == "5.5 hours"  # computed: 10:00 to 15:30
    assert rows["standards"] == "open, short on the posts"
    assert "shunt 1 ohm" in rows["shunt, fixture, cables"]
    assert rows["drift while it was taken"] == "short again at the end: 0.12 % at 1 MHz at worst"


def test_another_calibration_than_that_of_the_sweep_is_warned_of_first(dossier):
    from whichcore.report.from_files import calibration_doubts  # noqa: PLC0415

    other = _calibration()
    other = replace(other, model=replace(other.model, calibration_id="another"))
    case = Identification(dossier.specimen, dossier.sweep, Library(()), dossier.verdict)
    assert "another" in calibration_doubts(case, other)[0]
    assert calibration_doubts(case, dossier.calibration) == []


def test_what_is_not_known_is_said_to_be_so(dossier):
    bare = replace(
        dossier.sweep, temperature_c=None, flux_density_t=None, drive_vrms=None, wiring=None, notes={}
    )
    unknown = replace(
        dossier, sweep=bare, specimen=replace(dossier.specimen, temperature_c=None), calibration=None
    )
    report = report_of(unknown)
    rows = dict(sheet_of(report, "Conditions").rows)
    for key in ("temperature", "peak flux density", "drive", "wiring", "bench", "started"):
        assert rows[key] == "not stated"
    assert section(report, "Calibration").blocks[0].text == "The sweep does not say how it was calibrated."
    named = report_of(replace(dossier, calibration=None))
    assert "are not known here" in section(named, "Calibration").blocks[0].text


def test_a_core_without_a_sweep_has_every_section(by_reading):
    report = report_of(by_reading)
    assert [one.heading for one in report.sections] == HEADINGS
    for heading in ("Permeability", "Why", "Where the uncertainty comes from", "Calibration"):
        assert "there is no sweep" in section(report, heading).blocks[0].text.lower()
    assert dict(sheet_of(report, "Conditions").rows)["readings"] == "85 uH @ 10 kHz"
    parsed(written(report, "html").decode())
    assert written(report, "pdf").startswith(b"%PDF-")


def test_files_carry_their_whole_checksums(dossier, place):
    rows = sheet_of(report_of(dossier), "Files and checksums").rows
    for row, name in zip(rows, ("core.toml", "sweep.csv", "calibration.npz"), strict=True):
        # independent code: hashlib on the file itself
        assert (row[1], row[3]) == (name, hashlib.sha256((place / name).read_bytes()).hexdigest())


def test_materials_have_source_and_licence(page, dossier):
    for material in dossier.materials:
        assert material.id in page
    assert "Licence: MIT." in page


# -- the page ------------------------------------------------------------------------------------------------


def test_the_page_needs_nothing_else_and_runs_nothing(page):
    tree = parsed(page)
    assert not [node for tag in ("script", "link", "iframe", "object", "a") for node in tree.iter(tag)]
    for node in tree.iter():
        assert not [name for name in node.attrib if name.startswith("on") or name in {"style", "href"}]
    pictures = list(tree.iter("picture"))
    assert len(pictures) == 2
    for picture in pictures:
        (dark,), (light,) = picture.findall("source"), picture.findall("img")
        assert dark.get("media") == "screen and (prefers-color-scheme: dark)"
        assert len(light.get("alt")) > 40
        drawn = []
        for address in (light.get("src"), dark.get("srcset")):
            kind, _, data = address.partition(",")
            assert kind == "data:image/svg+xml;base64"
            svg = base64.b64decode(data)
            assert ET.fromstring(svg).tag.endswith("svg")  # noqa: S314 - of our own making
            drawn.append(svg)
        assert b"#14181d" in drawn[1].lower()
        assert b"#14181d" not in drawn[0].lower()
    assert "img-src data:" in REPORT_POLICY
    assert "style-src 'unsafe-inline'" in REPORT_POLICY


def test_every_table_has_heads_and_a_caption(page):
    for table in parsed(page).iter("table"):
        assert text_of(table.find("caption"))
        heads = table.findall("thead/tr/th")
        assert heads
        assert {len(list(row)) for row in table.findall("tbody/tr")} == {len(heads)}


@pytest.mark.soak
def test_equal_reports_are_equal_bytes(dossier, page, printed):
    assert written(report_of(dossier), "html").decode() == page
    assert written(report_of(dossier), "pdf") == printed.read_bytes()


# -- hostile names -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def hostile(dossier):
    names = {one: f"{one} {HOSTILE[:60]}" for one in dossier.names}
    sweep = replace(dossier.sweep, notes={**dossier.sweep.notes, "<b>key": HOSTILE})
    small = replace(dossier, name=HOSTILE, names=names, sweep=sweep, warnings=(HOSTILE,))
    report = report_of(small)
    # the pictures are those of the other reports
    kept = tuple(one for one in report.sections if one.heading not in {"Permeability", "Why"})
    return replace(report, sections=kept)


def test_a_name_cannot_become_markup_nor_turn_the_line_about(hostile):
    page = written(hostile, "html").decode()
    tree = parsed(page)
    assert not list(tree.iter("script"))
    assert not list(tree.iter("b"))
    assert text_of(tree.find("body/header/h1")).startswith(
        '<script>alert("1")</script>&amp;\ufffdcod.exe\ufffd xx'
    )
    assert not set(page) & {"\u202e", "\u0007"}


def test_a_long_name_stays_on_the_paper(hostile, tmp_path):
    path = tmp_path / "hostile.pdf"
    path.write_bytes(written(hostile, "pdf"))
    boxes = poppler("pdftotext", "-bbox", path, "-")
    ends = [float(end) for end in re.findall(r'xMax="([\d.]+)"', boxes)]
    assert len(ends) > 300
    assert (
        max(ends) < 595.28 - 40
    )  # A4 is 595.28 points wide (ISO 216: 210 mm); computed: 18 mm margin less 4
    words = poppler("pdftotext", path, "-")
    assert "<script>" in words
    assert "\u202e" not in words


def test_signs_the_font_lacks_are_named(dossier):
    report = replace(report_of(dossier), title="磁心 7", sections=())
    data = written(report, "pdf")
    words = subprocess.run(
        ["pdftotext", "-", "-"], input=data, check=True, capture_output=True
    ).stdout.decode()
    assert "U+5FC3, U+78C1" in words
    assert "\ufffd\ufffd 7" in words


# -- the PDF, by independent code: poppler -------------------------------------------------------------------


def test_poppler_reads_every_page(printed):
    told = dict(re.findall(r"^(.+?):\s+(.*)$", poppler("pdfinfo", printed), re.MULTILINE))
    assert told["Page size"].startswith("595.28 x 841.89 pts")  # A4, 210 mm × 297 mm (ISO 216)
    pages = int(told["Pages"])
    assert pages >= 3
    assert told["Title"] == "core: report of one core"
    for number in range(1, pages + 1):
        words = poppler("pdftotext", "-layout", "-f", number, "-l", number, printed, "-")
        assert f"page {number} of {pages}" in words
        assert (words.split("\n")[0].strip() == "core") == (number > 0)


def test_poppler_finds_the_text_in_order(printed, dossier):
    words = " ".join(poppler("pdftotext", printed, "-").split())
    answer = verdict_sentence(dossier.verdict, dossier.names)
    places = [words.index(text) for text in (dossier.warnings[0], answer[1:30], "Measured μ′ =")]
    assert places == sorted(places)
    at = 0
    for heading in HEADINGS:
        at = words.index(heading, at)
    digest = sheet_of(report_of(dossier), "Files and checksums").rows[0][3]
    assert digest in words.replace(" ", "")


@pytest.mark.soak
def test_the_picture_is_drawn_and_hatches_are_kept(dossier, tmp_path):
    """Blue (0, 114, 178) is that of the best candidate; hatched bars come as pixels."""
    pictures = section(report_of(dossier), "Permeability").blocks[:1]
    hatched = Picture(
        "bars", "bars", "bars", lambda dark, width: candidates_figure(
            dossier.verdict, dossier.names, "bars", dark=dark, width_in=width
        ), Sheet("none", ("a",), (("1",),)),
    )  # fmt: skip
    for name, blocks, inside in (("curve", pictures, b"/Image"), ("bars", (hatched,), b"/Image")):
        report = replace(report_of(dossier), sections=(Section("s", blocks),))
        path = tmp_path / f"{name}.pdf"
        data = written(report, "pdf")
        path.write_bytes(data)
        assert (b"/Subtype /Image" in data) == (name == "bars"), inside
        poppler("pdftoppm", "-r", 50, "-png", "-f", 1, path, tmp_path / name)
        blue = 0
        for image in tmp_path.glob(f"{name}-*.png"):
            pixels = np.asarray(Image.open(image).convert("RGB")).astype(int)
            blue += int((np.abs(pixels - (0, 114, 178)).sum(axis=2) < 60).sum())
        assert blue > 20, name


# -- kept verdicts -------------------------------------------------------------------------------------------


def test_a_kept_verdict_is_printed_and_never_judged_again(store, dossier, monkeypatch):
    def refuse(*_, **__):
        raise AssertionError("judged again")

    monkeypatch.setattr("whichcore.report.from_files.identify_files", refuse)
    monkeypatch.setattr("whichcore.workflow.identify", refuse)
    kept = dossier_of_record(store, store.verdict[:9])
    report = report_of(kept)
    assert report.answer == report_of(dossier).answer
    record = store.find(store.verdict)
    assert f"kept as record {record.short_id}" in report.made
    assert record.created_at[:10] in report.made
    assert kept.verdict.to_dict() == dossier.verdict.to_dict()
    assert kept.calibration is not None
    assert dict(sheet_of(report, "Conditions").rows)["sold as"] == "signal"
    np.testing.assert_array_equal(kept.verdict.spectrum.frequency_hz, dossier.sweep.frequency_hz)


def kept_long_ago(store):
    """Keep the verdict once more as the program did before fitted curves were kept."""
    record, made = store.find(store.verdict), json.loads(store.payload(store.verdict))
    del made["explained"]
    old = NewRecord(
        Kind.VERDICT, record.title, json.dumps(made).encode(), ".json", record.columns, record.settings,
        materials=store.materials_of(store.verdict),
    )  # fmt: skip
    return store.add(old)


def test_an_older_record_opens_and_says_what_it_lacks(store, dossier):
    kept = dossier_of_record(store, kept_long_ago(store))
    report = report_of(kept)
    assert report.answer == report_of(dossier).answer
    assert kept.verdict.to_dict() == dossier.verdict.to_dict()
    assert "references stand: neither scaled" in section(report, "Permeability").blocks[1].text
    assert "has this sentence and no odds" in section(report, "Why").blocks[1].text
    assert sheet_of(report, "Candidates").heads == ("material", "class", "probability")


def drawn(block):
    """Return a block so that two can be compared: a picture by what it says and by its bytes."""
    if not isinstance(block, Picture):
        return block
    pictures = [rendered(block.draw(dark, 4.6), "svg") for dark in (False, True)]
    return (block.name, block.title, block.alt, block.values, pictures)


def same_but_for(kept, now, *headings):
    for one, other in zip(kept.sections, now.sections, strict=True):
        assert one.heading == other.heading
        if one.heading not in headings:
            assert [drawn(block) for block in one.blocks] == [drawn(block) for block in other.blocks]
    assert kept.answer == now.answer
    assert kept.warnings == now.warnings


def test_the_report_of_a_record_is_the_one_made_from_the_files(store, dossier):
    """All but where the files are, and the evidence that only the record of this test names."""
    kept = report_of(dossier_of_record(store, store.verdict))
    assert len(section(kept, "Why").blocks) == 2
    assert "no value" not in str(sheet_of(kept, "Candidates").rows)
    same_but_for(kept, report_of(dossier), "Files and checksums", "Conditions")


def test_the_report_of_a_kept_reading_is_the_one_made_from_it(place, library, tmp_path):
    request = Request(place / "core.toml", readings=("85 uH @ 10 kHz", "12 kohm"))
    now = dossier_of_files(request, library)
    case = Identification(now.specimen, None, library, now.verdict)
    with open_store(str(tmp_path / "records.sqlite")) as opened:
        *_, verdict = keep_case(opened, request, case)
        kept = report_of(dossier_of_record(opened, verdict))
    same_but_for(kept, report_of(now), "Files and checksums")


def test_curves_that_do_not_belong_to_the_sweep_are_refused(store):
    record, made = store.find(store.verdict), json.loads(store.payload(store.verdict))
    made["explained"]["candidates"][0]["mu_real"].pop()
    made["explained"]["candidates"][0]["mu_imag"].pop()
    wrong = NewRecord(Kind.VERDICT, record.title, json.dumps(made).encode(), ".json", record.columns)
    with pytest.raises(RecordError, match="do not belong to its sweep"):
        dossier_of_record(store, store.add(wrong))
    del made["explained"]["stated_turns"]
    wrong = NewRecord(Kind.VERDICT, record.title, json.dumps(made).encode(), ".json", record.columns)
    with pytest.raises(RecordError, match="cannot be read"):
        dossier_of_record(store, store.add(wrong))


def test_a_kept_verdict_without_references_says_so(dossier):
    bare = tuple(replace(one, fitted=None) for one in dossier.verdict.candidates)
    report = report_of(
        replace(dossier, fitted=False, materials=(), verdict=replace(dossier.verdict, candidates=bare))
    )
    picture, told = section(report, "Permeability").blocks
    assert picture.alt.endswith("no candidate has a curve.")
    assert len(picture.values.heads) == 3
    assert told.text.endswith("so none was kept with it.")
    assert section(report, "Reference materials").blocks[0].text == "No reference reached 0.1 %."


@pytest.mark.soak
def test_a_kept_verdict_prints_the_same_each_time(store):
    first, second = (
        written(report_of(dossier_of_record(store, store.verdict)), "html").decode() for _ in range(2)
    )
    assert first == second
    parsed(first)


def test_the_kept_number_is_the_one_printed(store):
    """A payload with a number of its own: 61.8 % invented here must be what is printed."""
    made = json.loads(store.payload(store.verdict))
    made["verdict"] |= {"probability": 0.618, "kind": "class", "class": "MnZn", "materials": []}
    from whichcore.report.kept_verdict import verdict_of  # noqa: PLC0415

    verdict = verdict_of(made, {})
    assert "62 % for the class" in verdict_sentence(verdict, {})
    made["verdict"]["kind"] = "undecided"
    assert "say nothing" in verdict_sentence(verdict_of(made | {"void": True}, {}), {})
    older = {key: value for key, value in made.items() if key != "void"}
    assert "Likeliest is" in verdict_sentence(verdict_of(older, {}), {})
    made["format"] = "whichcore-verdict/9"
    with pytest.raises(RecordError, match="whichcore-verdict/9"):
        verdict_of(made, {})
    del made["candidates"]
    with pytest.raises(RecordError, match="cannot be read"):
        verdict_of(made | {"format": "whichcore-verdict/1"}, {})


def test_a_later_correction_is_warned_of_first(store):
    newer = keep_verdict(store, store.case, store.core, store.sweep, Origin(store.verdict, "wrong turns"))
    report = report_of(dossier_of_record(store, store.verdict))
    assert report.warnings[0] == f"the verdict {store.verdict[:8]} was corrected later, by {newer[:8]}"
    rows = dict(sheet_of(report_of(dossier_of_record(store, newer)), "Conditions").rows)
    assert rows["corrects"] == f"{store.verdict[:8]}: wrong turns"


def test_a_record_that_holds_something_else_is_refused(store):
    """A store whose checksums fit, and whose texts are not what they should be."""
    for text, told in (("[]", "no JSON object"), ("{", "no JSON object"), ("{}", "format None")):
        new = NewRecord(
            Kind.VERDICT, "odd", text.encode(), ".json",
            {"core_id": store.core, "verdict_kind": "class", "named": "", "probability": 0.5},
        )  # fmt: skip
        with pytest.raises(RecordError, match=told):
            dossier_of_record(store, store.add(new))


def test_only_a_verdict_has_a_report(store):
    with pytest.raises(RecordError, match="a report is made of a verdict"):
        dossier_of_record(store, store.core)
    with pytest.raises(UsageError, match="html, pdf"):
        written(report_of(dossier_of_record(store, store.verdict)), "odt")


@pytest.mark.soak
def test_the_page_of_the_bench_gets_both_forms(store, monkeypatch):
    monkeypatch.setattr("whichcore.web.report_call.open_store", lambda: open_store(store.address))
    page = make_report(store.verdict, "html")
    assert page["name"] == f"report-{store.verdict[:8]}.html"
    parsed(bytes.fromhex(page["content"]).decode())
    assert bytes.fromhex(make_report(store.verdict, "pdf")["content"]).startswith(b"%PDF-")


# -- the command ---------------------------------------------------------------------------------------------


def run(*words):
    return CliRunner().invoke(root, ["report", *map(str, words)])


def test_the_command_prints_a_record(store, by_reading, library, tmp_path):
    address = tmp_path / "records.sqlite"
    case = Identification(by_reading.specimen, None, library, by_reading.verdict)
    verdict = keep_verdict(store, case, store.core)
    store.close()
    out = tmp_path / "r.html"
    out.write_text("old")
    done = run("--record", verdict[:12], "--records", address, "--out", out, "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told == {
        "format": "whichcore-report-written/1",
        "file": str(out),
        "form": "html",
        "record": verdict,
        "warnings": told["warnings"],
    }
    assert out.read_text("utf-8").lstrip().startswith("<!DOCTYPE html>")
    assert [path.name for path in tmp_path.iterdir() if "tmp" in path.name] == []


def test_the_command_judges_files(place, tmp_path, library, monkeypatch):
    monkeypatch.setattr("whichcore.cli.report.library_to_identify", lambda _: library)
    out = tmp_path / "r.pdf"
    done = run("--specimen", place / "core.toml", "--reading", "85 uH @ 10 kHz", "--out", out)
    assert done.exit_code == 0, done.output
    assert done.stdout == f"Written: {out}\n"
    assert out.read_bytes().startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--out", "r.doc"), "allowed: .html, .pdf"),
        (("--out", "r.pdf"), "there is nothing to report"),
        (("--out", "r.pdf", "--specimen", "a.toml"), "there is nothing to report"),
        (("--out", "r.pdf", "--record", "ab", "--sold-as", "x"), "--sold-as: a kept verdict is printed"),
        (("--out", "r.pdf", "--record", "ab", "--reading", "x"), "--reading: a kept verdict is printed"),
        (("--out", "r.pdf", "--records", "x.sqlite"), "a store is of use with a record alone"),
    ],
)
def test_wrong_calls_are_refused_in_one_line(words, told, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = run(*words)
    assert done.exit_code == 2
    assert told in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_foreign_warnings_pass_through(monkeypatch):
    from whichcore.report.from_files import gathered  # noqa: PLC0415

    with pytest.warns(DeprecationWarning, match="foreign"), gathered():
        warnings.warn("foreign", DeprecationWarning, stacklevel=1)


def test_a_sweep_is_no_verdict(store):
    assert store.find(store.sweep).kind is Kind.SWEEP


@pytest.mark.soak
def test_the_example_in_the_documentation_says_what_the_program_says(tmp_path):
    """Words with letters: a last digit of a curve moves with the numerics."""
    place = Path(__file__).resolve().parents[1] / "docs" / "make_example_report.py"
    spec = importlib.util.spec_from_file_location("make_example_report", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    (tmp_path / "now.pdf").write_bytes(module.report())
    now, kept = (
        [word for word in poppler("pdftotext", path, "-").split() if word.isalpha()]
        for path in (tmp_path / "now.pdf", module.PLACE)
    )
    assert now == kept, "run python docs/make_example_report.py"
    assert module.PLACE.stat().st_size < 200_000
