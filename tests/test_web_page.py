"""The whole page in a browser: the job on the virtual bench, keyboard, axe, phones, two pages, a restart."""

import contextlib
import io
import re
import shutil
import socket

import numpy as np
import pytest
from matplotlib.figure import Figure

from bench_of_its_own import Hands, write_bench
from page_server import Page, hello, live, page_server
from page_visit import LATER, calibrate, describe, fill, visiting
from whichcore.files import load_material
from whichcore.libraries import load_library
from whichcore.records import keep_core, keep_sweep, open_store
from whichcore.rig.virtual import VirtualBench
from whichcore.wording import bound
from whichcore.workflow import demo_bins, demo_library, identify_files

pytestmark = pytest.mark.soak

CONTROLS = (
    "[...document.querySelectorAll('a[href], button, input, select, textarea, summary')]"
    ".filter((e) => !e.disabled && e.checkVisibility() && !(e.type === 'radio' && !e.checked)).length"
)


@pytest.fixture
def server(tmp_path):
    with page_server(tmp_path) as (address, _):
        yield address


def test_the_whole_job_from_the_first_page_to_the_record(browser, server):
    with visiting(browser, server) as visit:
        visit.open()
        visit.sound()
        measured(visit)
        judged(visit)
        found_again(visit)


def measured(visit):
    """Describe, calibrate and sweep a core of the virtual bench."""
    page = visit.page
    describe(page)
    page.wait_for_selector("text=/Wind .* turns/", timeout=LATER)
    visit.sound()
    page.click("text=Go on: calibrate")
    page.wait_for_selector("text=There is no calibration for this bench")
    calibrate(page)
    page.wait_for_selector("progress")
    page.focus(".card > button:has-text('Stop')")
    page.wait_for_selector(".progress li:nth-child(2)", timeout=LATER)
    assert page.evaluate("document.activeElement.textContent") == "Stop"  # news do not take the keys away
    page.wait_for_selector("text=Done and kept.", timeout=LATER)
    assert page.locator(".progress li").all_inner_texts()[0].startswith("tied")
    visit.sound()
    page.click("text=Go on: sweep")
    page.click("button:has-text('Start the sweep')")
    page.wait_for_selector("[data-painted]", timeout=LATER)
    page.reload()  # nothing is lost: what came before the page did is told again
    page.wait_for_selector("text=Done, and kept", timeout=LATER)
    assert "6 of 6 points" in page.inner_text("main")  # computed: equal ratios, 3 a decade, both ends
    visit.sound()


def judged(visit):
    """Judge it, and tag the verdict."""
    page = visit.page
    page.click("text=Go on: verdict")
    page.wait_for_selector(".sentence", timeout=LATER)
    assert "MnZn" in page.inner_text(".sentence")  # bin-h is a MnZn power ring, rig/virtual/cores.toml
    assert page.locator(".bars .share").count() == 7  # six candidates and none of these
    visit.sound()
    page.fill("[name=tag]", "bin 4")
    page.click("text=Put the tag on")
    page.wait_for_selector("text=Tagged: bin 4")
    report = page.get_attribute("text=Report as a page", "href")
    assert re.fullmatch(r"/report/[0-9a-f]{32}\.html", report)
    for form, start in (("html", b"<!DOCTYPE html>"), ("pdf", b"%PDF-")):
        answer = visit.context.request.get(visit.address.rstrip("/") + report.replace("html", form))
        assert answer.ok
        assert answer.body().startswith(start)


def found_again(visit):
    """Find all of it in the records."""
    page = visit.page
    page.click("nav >> text=Records")
    page.wait_for_selector(".records li.verdict .tag:has-text('bin 4')")
    kinds = page.locator(".records li").evaluate_all("rows => rows.map((row) => row.className)")
    assert sorted(kinds) == ["calibration", "core", "sweep", "verdict"]
    visit.sound()
    page.click(".records li.sweep a")
    page.wait_for_selector("[data-painted]")
    visit.sound()
    page.go_back()
    page.click(".records li.verdict a")
    page.wait_for_selector(".sentence")
    visit.sound()


def swept(visit):
    """Start a sweep, and look away before its end."""
    visit.page.click("button:has-text('Start the sweep')")
    visit.page.wait_for_selector("text=A sweep of")


def until_kept(visit):
    """Wait until the server has told every page that is open of the end of the sweep."""
    for _ in range(1800):  # three minutes
        visit.page.wait_for_timeout(100)
        with live(visit.address, "eye") as line:
            work = hello(line)
        if not work["running"]:
            break
    assert work["events"][-1]["type"] == "finished"
    return work["events"][-1]["record"]


def test_a_sweep_that_ends_unseen_is_judged_all_the_same(browser, server):
    with visiting(browser, server) as visit:
        page = visit.page
        visit.open()
        describe(page)
        page.click("text=Go on: calibrate")
        calibrate(page)
        page.wait_for_selector("text=Done and kept.", timeout=LATER)
        page.click("text=Go on: sweep")
        swept(visit)
        page.goto("about:blank")  # as in a reload whose sweep ends before the page is there again
        first = until_kept(visit)
        visit.open("sweep")
        page.wait_for_selector("text=Done, and kept")
        page.click("text=Go on: verdict")
        page.wait_for_selector(".sentence", timeout=LATER)
        page.click("text=Back: sweep")
        page.wait_for_selector("button:has-text('Start the sweep'):enabled")
        swept(visit)
        page.click("nav >> text=Library")
        page.wait_for_selector("h1:has-text('Library')")
        second = until_kept(visit)
        page.click("nav >> text=Bench")
        page.click("nav >> text=Verdict")
        page.wait_for_selector(".sentence", timeout=LATER)
        kept = Page(visit.address).ask("records.search", kind="verdict")["records"]
        assert [one["columns"]["sweep_id"] for one in kept] == [second, first]
        # another core is described while the sweep runs: the sweep is not that one's
        page.click("nav >> text=Bench")
        page.click("nav >> text=Sweep")
        page.wait_for_selector("button:has-text('Start the sweep'):enabled")
        swept(visit)
        page.click("nav >> text=Describe")
        page.fill("[name=name]", "ring of the lamp")
        until_kept(visit)
        page.click("nav >> text=Verdict")
        page.wait_for_selector("text=There is no sweep of this core yet")


def test_errors_stand_at_their_field_and_a_reload_loses_nothing(browser, server):
    # the browser notes each refused question on its console; that is what is being tested here
    with visiting(browser, server, expected=("400 (Bad Request)",)) as visit:
        page = visit.page
        visit.open()
        page.fill("[name=name]", "ring of the lamp")
        fill(page, outer_diameter="25.1 mm", inner_diameter="1495 mm", height="10 mm", turns="10")
        page.wait_for_selector("[name=inner_diameter][aria-invalid]")
        wrong = page.locator(".field:has([name=inner_diameter]) .error").inner_text()
        for part in ("1495 mm", "less than 25.1 mm", "measure both diameters again"):  # value, allowed, next
            assert part in wrong
        assert "\n" not in wrong
        visit.sound()
        page.reload()
        page.wait_for_selector("[name=inner_diameter][aria-invalid]")
        assert page.input_value("[name=name]") == "ring of the lamp"
        page.fill("[name=inner_diameter]", "14.95 mm")
        page.wait_for_selector("text=Effective length")
        assert page.locator("[aria-invalid]").count() == 0
        page.select_option("[name=shape]", "sleeve")
        assert page.evaluate("document.activeElement.name") == "shape"
        page.focus("[name=height]")
        assert page.locator(".dim.lit").get_attribute("data-key") == "height"


def test_a_reading_alone_is_judged_without_any_bench(browser, server):
    with visiting(browser, server, expected=("400 (Bad Request)",)) as visit:
        page = visit.page
        visit.open()
        page.click("text=I have only a meter reading")
        page.wait_for_selector("text=Go on: type the reading")  # made anew, and all fields with it
        fill(page, outer_diameter="25 mm", inner_diameter="15 mm", height="10 mm", turns="10")
        page.click("text=Go on: type the reading")
        page.fill("[name=readings]", "152 uH at 10 kHz")
        page.click("button:has-text('Judge')")
        page.wait_for_selector(".place .error", timeout=LATER)
        page.fill("[name=readings]", "152 uH @ 10 kHz")
        page.click("button:has-text('Judge')")
        page.wait_for_selector(".sentence", timeout=LATER)
        # analytic: mu0/(2 pi) ln(25/15) 10 mm 100 = 102.2 nH for a sharp ring; 152 uH over it is 1488
        assert "1488" in page.inner_text("main")
        visit.sound()


def test_an_answer_that_comes_late_does_not_put_its_place_over_a_later_one(browser, server):
    with visiting(browser, server) as visit:
        visit.open("verdict")
        held = []
        visit.page.route("**/ask/state", lambda route: held.append(route))  # noqa: PLW0108 - it calls no builtin
        visit.page.evaluate("location.hash = 'core'")  # waits for the answer that is held back
        while not held:
            visit.page.wait_for_timeout(10)
        visit.page.evaluate("location.hash = 'verdict'")
        visit.page.wait_for_selector("h1:has-text('Verdict')")
        with visit.page.expect_response("**/ask/state"):
            held[0].continue_()
        visit.page.wait_for_timeout(100)
        assert visit.page.inner_text("h1") == "Verdict"


def test_every_control_is_reached_and_a_curve_is_read_by_keys_alone(browser, server):
    with visiting(browser, server) as visit:
        page = visit.page
        visit.open("library/mnzn-2300-derived")
        page.wait_for_selector("[data-painted]")
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        page.focus(".board")
        page.keyboard.press("ArrowRight")
        first = page.get_attribute(".board", "aria-valuetext")
        page.keyboard.press("End")
        last = page.get_attribute(".board", "aria-valuetext")
        assert re.match(r"[\d.]+ k?Hz: μ′ [\d.]+, μ″ [\d.]+", first)
        assert first != last
        assert page.get_attribute(".board", "aria-valuenow") == page.get_attribute(".board", "aria-valuemax")
        page.click("summary:has-text('Table of values')")
        page.wait_for_selector("tbody tr")
        rows = page.locator("tbody tr").count()
        assert rows == int(page.get_attribute(".board", "aria-valuemax")) + 1
        visit.open("core")
        page.wait_for_selector("[name=shape]")
        count = page.evaluate(CONTROLS)
        page.evaluate("document.activeElement.blur()")
        seen = set()
        for _ in range(count + 5):
            page.keyboard.press("Tab")
            seen.add(page.evaluate("[...document.querySelectorAll('*')].indexOf(document.activeElement)"))
        assert len(seen - {-1}) >= count


def test_a_second_page_watches_and_may_stop_and_a_restart_goes_on(browser, tmp_path):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    away = ("ERR_CONNECTION_REFUSED", "WebSocket connection", "Failed to load resource")
    with contextlib.ExitStack() as stack:
        with page_server(tmp_path, port=port) as (address, _):
            first = stack.enter_context(visiting(browser, address, expected=away))
            second = stack.enter_context(visiting(browser, address, expected=away))
            first.open()
            describe(first.page)
            first.page.click("text=Go on: calibrate")
            calibrate(first.page)
            second.open("calibrate")
            second.page.wait_for_selector("text=Another page runs a calibration")
            second.page.wait_for_selector(".progress li")
            assert second.page.locator("button:has-text('Start the calibration')").is_disabled()
            second.sound()
            first.page.wait_for_selector("text=Done and kept.", timeout=LATER)
            first.page.click("text=Go on: sweep")
            first.page.fill("[name=sweep-density]", "8")  # more than pass before the other page stops it
            first.page.click("button:has-text('Start the sweep')")
            second.page.click("text=Look at it")
            second.page.wait_for_selector("[data-painted]", timeout=LATER)
            second.page.click("text=Stop it")
            first.page.wait_for_selector("text=Stopped; the output is off", timeout=LATER)
            first.page.click("text=Go on with it")
            first.page.wait_for_selector("text=/([2-9]|1[0-2]) of 13 points/", timeout=LATER)
        first.page.wait_for_selector("text=The line to the server is broken")
        with page_server(tmp_path, port=port):
            first.page.wait_for_selector("text=Go on with it", timeout=LATER)
            first.page.click("text=Go on with it")
            first.page.wait_for_selector("text=Done, and kept", timeout=LATER)
            # computed: the points before the stop, before the end of the server, and after it
            assert "13 of 13 points" in first.page.inner_text("main")
            first.page.goto(f"{address}#records")
            first.page.wait_for_selector(".records li.sweep:has-text('13 points')")


def test_a_doubled_tab_watches_a_reload_drives_on_and_a_closed_one_is_told(browser, server):
    with visiting(browser, server) as visit:
        visit.open()
        describe(visit.page)
        visit.page.click("text=Go on: calibrate")
        calibrate(visit.page)
        visit.page.wait_for_selector("text=A calibration is running")
        with visit.context.expect_page() as opened:
            visit.page.evaluate("window.open(location.href)")  # the new tab gets a copy of this one's store
        double = opened.value
        double.wait_for_selector("text=Another page runs a calibration")
        assert double.evaluate("JSON.parse(sessionStorage['whichcore-job']).virtualCore") == "bin-h"
        assert double.locator("button:has-text('Start the calibration')").is_disabled()
        visit.page.reload()
        visit.page.wait_for_selector("text=A calibration is running")
        assert double.locator("text=Another page runs a calibration").count() == 1
        visit.page.goto("about:blank")
        double.wait_for_selector("text=the page that started it is closed")
        double.click("text=Stop it")
        double.wait_for_selector("text=/topped/", timeout=LATER)


def test_the_band_that_decided_is_marked_and_shown_over_the_nearest_two(browser, tmp_path, monkeypatch):
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    shutil.copytree(demo_library(), tmp_path / "library")
    (bin_b,) = (one.request for one in demo_bins() if one.id == "b")
    with open_store() as store:
        sweep = keep_sweep(store, bin_b.sweep, core_id=keep_core(store, bin_b.specimen))
    with page_server(tmp_path) as (address, _), visiting(browser, address) as visit:
        visit.page.set_default_timeout(LATER)
        visit.open(f"record/{sweep}")
        visit.page.click("text=Work on this core")
        visit.page.wait_for_selector("text=decided between the first two", timeout=LATER)
        visit.page.wait_for_selector("[data-painted]")
        marked = visit.page.evaluate(
            "echarts.getInstanceByDom(document.querySelector('.canvas')).getOption().series"
            ".filter((one) => one.type === 'custom' && one.data.length === 1)"
            ".map((one) => one.data[0][0])"
        )
        visit.page.focus(".board")
        visit.page.keyboard.press("End")
        assert "measured over Shop bead A" in visit.page.get_attribute(".board", "aria-valuetext")
        visit.sound()
    assert marked[:3] == [decided_low(bin_b)] * 3  # in each of the three panels


def decided_low(request):
    """Return where the band begins by the judge itself."""
    library = load_library("shipped", demo_library())
    return identify_files(request, library).verdict.decided_by.band_hz[0]


def test_values_on_the_page_are_as_fine_as_their_uncertainty(browser, server):
    with visiting(browser, server) as visit:
        visit.open("library")
        said = visit.page.evaluate(
            "async (pairs) => {"
            "const { withU } = await import('/static/numbers.js');"
            "return pairs.map(([value, u]) => withU(value, u)); }",
            [[10.05762, 0.027], [0.123, 0.01], [2307.393, 46.697], [-1e-4, 0.05], [-3.21, 1.2], [2, 0.996]],
        )
    # the first published, JCGM 100:2008, 7.2.6 (memory); the others computed by its rule, a zero without sign
    assert said == [
        "10.058 ± 0.027",
        "0.123 ± 0.010",
        "2307 ± 47",
        "0.000 ± 0.050",
        "−3.2 ± 1.2",
        "2.0 ± 1.0",
    ]


def test_numbers_are_bound_on_the_page_as_everywhere(browser, server):
    texts = [
        "< 0.1 % and > 99.9 %, 2299 ± 43 at 1.1 kHz, 25 °C, × 1.53, 10 000 to 1, 17 mΩ, 5 Ω.",
        "one of 9 materials, 2 tests, in 5 groups: MnZn 800, generic, at most 3 and 4, 3 dB",
    ]
    with visiting(browser, server) as visit:
        visit.open("library")
        said = visit.page.evaluate(
            "async (texts) => (await import('/static/numbers.js')).bound(texts.join('\\n'))", texts
        )
    assert said == bound("\n".join(texts))


STEPS = np.geomspace(2e4, 2e7, 12)


def test_hands_at_a_bench_of_ones_own_are_told_what_to_fit_and_waited_for(browser, tmp_path, monkeypatch):
    with VirtualBench(seed=5) as virtual:
        monkeypatch.setenv("WHICHCORE_BENCH", str(write_bench(tmp_path, virtual)))
        hands = Hands(virtual)
        with page_server(tmp_path) as (address, _), visiting(browser, address) as visit:
            page = visit.page
            visit.open()
            page.get_by_label("Own bench").check()
            fill(page, outer_diameter="25.10 mm", inner_diameter="14.95 mm", height="10.08 mm", turns="10")
            page.click("text=Go on: calibrate")
            calibrate(page)
            for number in range(3):
                page.wait_for_selector(".prompt", timeout=LATER)
                fixture = page.get_attribute(".prompt", "data-fixture")
                assert "mains earth" in page.inner_text(".prompt")
                if number == 0:
                    visit.sound()
                hands.fit(fixture)
                page.wait_for_function("document.activeElement.textContent === 'It is in place'")
                page.keyboard.press("Enter")
                page.wait_for_selector(f".prompt[data-fixture='{fixture}']", state="detached", timeout=LATER)
            page.click(".card >> button:has-text('Stop')")
            page.wait_for_selector("text=/topped/", timeout=LATER)
    assert hands.asked[:2] == ["tied", "open"]  # as the command line asks, tests/test_cli_calibrate.py
    assert len(set(hands.asked)) == 3


def law(frequency):
    """Return the permeability of one relaxation, μi 800, corner 2 MHz."""
    return 1 + 799 / (1 + 1j * frequency / 2e6)


def printed_graph():
    """Return a picture of a graph as a data sheet prints it, and where on it a value lies."""
    frequency = np.geomspace(1e4, 1e8, 300)
    figure = Figure(figsize=(8, 5), dpi=100)
    panel = figure.add_subplot()
    panel.loglog(frequency, law(frequency).real, "k", frequency, -law(frequency).imag, "k--")
    panel.set_xlim(1e4, 1e8)
    panel.set_ylim(1, 2000)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png")

    def place(x, y):
        across, up = panel.transData.transform((x, y))
        return float(across), 500 - float(up)

    return buffer.getvalue(), place


def test_a_printed_graph_becomes_a_material_by_clicks_and_by_keys(browser, server, tmp_path):
    with visiting(browser, server, expected=("400 (Bad Request)",)) as visit:
        visit.open("reader")
        traced(visit.page)
        visit.sound()
        visit.page.reload()  # picture, marks and points are still there
        visit.page.wait_for_selector("text=μ″: 12 points", state="attached")
        visit.page.wait_for_selector(".stage img")
        visit.page.wait_for_selector("[data-painted]")
        saved(visit.page)
        visit.sound()
    material = load_material(next(tmp_path.rglob("nizn-own.toml")))
    # computed: a whole pixel is ln(2000)/385 = 2 % of the value axis and ln(1e4)/620 = 1.5 % in frequency,
    # on a slope of up to 2; straight lines between twelve points in three decades leave up to 8 % at the bend
    off = np.abs(material.permeability - law(material.frequency_hz)) / np.abs(law(material.frequency_hz))
    assert off.max() < 0.12
    assert np.median(off) < 0.03
    assert material.curve_deviation > 0.03  # that from core to core, and the reading's on top of it
    assert "read off a printed graph" in material.source


def traced(page):
    """Click marks and curves of the graph; then one point more by keys, and back."""
    picture, place = printed_graph()
    page.set_input_files("[name=picture]", {"name": "g.png", "mimeType": "image/png", "buffer": picture})
    page.wait_for_selector(".stage img")

    def click(x, y):
        box = page.locator(".stage img").bounding_box()
        across, down = place(x, y)
        page.mouse.click(box["x"] + across * box["width"] / 800, box["y"] + down * box["height"] / 500)

    for mark in ((1e5, 1), (1e7, 1), (1e4, 10), (1e4, 1000)):
        click(*mark)
    fill(page, mark__horizontal__0="100 kHz", mark__horizontal__1="10 MHz")
    fill(page, mark__vertical__0="10", mark__vertical__1="1000")
    for x in STEPS:
        click(x, law(x).real)
    page.get_by_label("μ″ curve").check()
    for x in STEPS:
        click(x, -law(x).imag)
    page.focus(".stage")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=μ″: 13 points", state="attached")
    page.keyboard.press("Backspace")
    page.wait_for_selector("text=μ″: 12 points", state="attached")
    page.click("text=Points, to read and to correct")
    page.wait_for_selector("[data-painted]")


def saved(page):
    """Save it; first without its source, which is refused."""
    fill(page, label__id="nizn-own", label__name="NiZn, own drawing")
    page.click("text=Save to my library")
    page.wait_for_selector("text=A reference needs its source")
    fill(page, label__source="own drawing")
    page.click("text=Save to my library")
    page.wait_for_selector("text=Saved with")
    page.click("text=Look at it in the library")
    page.wait_for_selector("[data-painted]")
