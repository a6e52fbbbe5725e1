"""What the page has in hand: over lines that break, answers that come late, other cores and other tabs."""

import io
import json
import shutil
import tempfile
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from page_server import page_server
from page_visit import LATER, PHONE, describe, visiting
from whichcore.records import begin_sweep, finish_sweep, keep_core, keep_sweep, open_store
from whichcore.workflow import demo_bins

pytestmark = pytest.mark.soak

JOB = "JSON.parse(sessionStorage['whichcore-job'])"


@pytest.fixture
def server(tmp_path):
    with page_server(tmp_path) as (address, _):
        yield address


@pytest.fixture
def bins(tmp_path, monkeypatch):
    """Keep two swept cores, and return the records of their sweeps."""
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    with open_store() as store:
        kept = [
            keep_sweep(store, one.request.sweep, core_id=keep_core(store, one.request.specimen))
            for one in demo_bins()
            if one.id in {"b", "d"}
        ]
    assert len(kept) == 2
    return kept


def held(page, call):
    """Hold the answers to a question back; returns the questions that wait."""
    waiting = []
    page.route(f"**/ask/{call}", lambda route: waiting.append(route))  # noqa: PLW0108 - it calls no builtin
    return waiting


def until(page, true):
    """Wait until something is true."""
    for _ in range(600):  # a minute
        if true():
            break
        page.wait_for_timeout(100)
    assert true()


def in_hand(page, **evidence):
    """Put evidence in hand."""
    page.evaluate(
        "async (some) => Object.assign((await import('/static/job.js')).job.evidence, some)", evidence
    )


def work_on(visit, record):
    visit.open(f"record/{record}")
    visit.page.click("text=Work on this core")


def judging(visit, record):
    """Work on a core, hold its verdict back, and return the questions that wait."""
    waiting = held(visit.page, "judge.identify")
    work_on(visit, record)
    until(visit.page, lambda: waiting)
    return waiting


def test_a_verdict_that_comes_late_is_not_taken_for_one_of_another_core(browser, bins, server):
    with visiting(browser, server) as visit:
        page = visit.page
        waiting = judging(visit, bins[0])
        page.click("nav >> text=Describe")
        page.wait_for_selector("[name=name]")
        page.fill("[name=name]", "ring of the lamp")
        with page.expect_response("**/ask/judge.identify", timeout=LATER):
            waiting[0].continue_()
        page.wait_for_timeout(200)
        job = page.evaluate(JOB)
        assert (job["name"], job["coreRecord"], job["verdict"]) == ("ring of the lamp", "", None)


def test_an_older_verdict_that_comes_late_does_not_take_the_place_of_a_newer_one(browser, bins, server):
    with visiting(browser, server) as visit:
        page = visit.page
        waiting = judging(visit, bins[0])
        page.click("nav >> text=Library")
        page.wait_for_selector("h1:has-text('Library')")
        in_hand(page, surface="12 kohm")
        page.go_back()
        until(page, lambda: len(waiting) > 1)
        waiting[1].continue_()
        page.wait_for_selector(".sentence", timeout=LATER)
        newer = page.evaluate(JOB)["verdict"]["record"]
        with page.expect_response("**/ask/judge.identify", timeout=LATER):
            waiting[0].continue_()
        page.wait_for_timeout(200)
        assert page.evaluate(JOB)["verdict"]["record"] == newer


def test_what_is_known_of_one_core_is_not_counted_for_the_next(browser, bins, server):
    with visiting(browser, server) as visit:
        page = visit.page
        waiting = judging(visit, bins[0])
        page.click("summary:has-text('Add evidence')")
        page.fill("[name=surface]", "12 kohm")
        in_hand(page, second=bins[0])
        work_on(visit, bins[1])
        until(page, lambda: len(waiting) > 1)
        asked = waiting[-1].request.post_data_json
        assert (asked["sweep"], asked["surface_resistance"], asked["second_sweep"]) == (bins[1], None, "")


def test_the_second_sweep_of_a_core_is_none_of_the_core_described_otherwise(browser, bins, server):
    with visiting(browser, server) as visit:
        page = visit.page
        held(page, "judge.identify")
        work_on(visit, bins[0])
        page.wait_for_selector("h1:has-text('Verdict')")
        in_hand(page, second=bins[1], surface="12 kohm")
        page.click("nav >> text=Describe")
        page.wait_for_selector("[name=name]")
        page.fill("[name=height]", "10.1 mm")
        evidence = page.evaluate(JOB)["evidence"]
        assert (evidence["second"], evidence["surface"]) == ("", "12 kohm")


def test_a_sweep_taken_in_hand_is_judged_though_only_a_reading_was_there_before(browser, bins, server):
    with visiting(browser, server) as visit:
        page = visit.page
        visit.open()
        page.click("text=I have only a meter reading")
        page.wait_for_selector("text=Go on: type the reading")
        waiting = judging(visit, bins[0])
        assert waiting[0].request.post_data_json["sweep"] == bins[0]


class Line:
    """In place of the line on which a page hears of the bench."""

    def __init__(self, page):
        self.sockets = []
        page.route_web_socket("**/live**", lambda socket: self.sockets.append(socket))  # noqa: PLW0108

    def tell(self, **message):
        self.sockets[-1].send(json.dumps(message))

    def ended(self, number, journal, record, **about):
        """Tell of a sweep that this page has started and that is kept."""
        self.tell(type="begun", work=number, what="sweep", mine=True, about=about)
        end = {"type": "finished", "what": "sweep", "journal": journal, "record": record, "core": record}
        self.tell(type="event", work=number, event=end)


def at_sweep(visit):
    """Describe a core, and come to the sweep with the questions for one held back."""
    line = Line(visit.page)
    visit.open()
    describe(visit.page)
    until(visit.page, lambda: line.sockets)
    line.tell(type="hello", work=None)
    visit.open("sweep")
    visit.page.wait_for_selector("button:has-text('Start the sweep')")
    return line, held(visit.page, "sweep")


def answer(route, **result):
    route.fulfill(json={"result": result, "warnings": []})


def test_a_sweep_is_known_again_though_the_line_broke_before_its_answer(browser, server):
    with visiting(browser, server, expected=("ERR_FAILED",)) as visit:
        page = visit.page
        line, waiting = at_sweep(visit)
        line.ended(1, "early.csv", "early")
        page.click("button:has-text('Start the sweep')")
        until(page, lambda: waiting)
        line.tell(type="driver", work=1, mine=True, there=True)
        page.wait_for_timeout(200)
        assert page.evaluate(JOB)["sweepRecord"] == ""  # the one before is not the one that was asked for
        waiting[0].abort()
        page.wait_for_selector("text=The server does not answer")
        line.ended(2, "late.csv", "late", mark=waiting[0].request.post_data_json.get("mark"))
        until(page, lambda: page.evaluate(JOB)["sweepRecord"] == "late")


def test_a_sweep_is_not_of_the_core_that_is_described_before_its_answer_comes(browser, server):
    with visiting(browser, server) as visit:
        page = visit.page
        line, waiting = at_sweep(visit)
        page.click("button:has-text('Start the sweep')")
        until(page, lambda: waiting)
        page.click("nav >> text=Describe")
        page.fill("[name=name]", "ring of the lamp")
        with page.expect_response("**/ask/sweep"):
            answer(waiting[0], journal="ring.csv")
        page.wait_for_timeout(200)
        line.ended(1, "ring.csv", "ring", mark=waiting[0].request.post_data_json.get("mark"))
        page.wait_for_selector("#watch:empty", state="attached")
        page.wait_for_timeout(200)
        assert page.evaluate(JOB)["sweepRecord"] == ""


@pytest.fixture
def begun(tmp_path, monkeypatch):
    """Begin a sweep of a demonstration core; returns its record, that of the core, and its journal."""
    monkeypatch.setenv("WHICHCORE_HOME", str(tmp_path))
    case = next(one.request for one in demo_bins() if one.id == "d")
    journal = tmp_path / "page" / "sweeps" / "d.csv"
    journal.parent.mkdir(parents=True)
    shutil.copy(case.sweep, journal)
    with open_store() as store:
        core = keep_core(store, case.specimen)
        return begin_sweep(store, journal, core, {"bench": "virtual", "core": "bin-h"}), core, journal


def test_a_sweep_whose_end_nobody_told_is_found_in_the_records(browser, begun, server):
    record, core, journal = begun
    with open_store() as store:
        sweep = finish_sweep(store, record)
    with visiting(browser, server) as visit:
        page = visit.page
        waiting = held(page, "judge.identify")
        work_on(visit, core)
        page.wait_for_selector("h1:has-text('Describe')")
        page.evaluate(
            "async (name) => { (await import('/static/job.js')).job.awaited = name; }", journal.name
        )
        page.click("nav >> text=Verdict")
        until(page, lambda: waiting)
        assert waiting[0].request.post_data_json["sweep"] == sweep


def test_a_sweep_that_cannot_be_gone_on_with_leaves_the_core_in_hand(browser, begun, server):
    with visiting(browser, server, expected=("409 (Conflict)",)) as visit:
        page = visit.page
        _, waiting = at_sweep(visit)
        page.fill("[name=sweep-from]", "2 kHz")
        before = page.evaluate(JOB)
        page.click("text=Go on with it")
        until(page, lambda: waiting)
        assert page.locator("button:has-text('Go on with it')").is_disabled()  # once is enough
        busy = {"code": "busy", "what": "a sweep is running", "where": "bench", "got": "another page"}
        waiting[0].fulfill(status=409, json={"error": {**busy, "allowed": "one at a time", "next": ""}})
        page.wait_for_selector("text=A sweep is running")
        assert page.evaluate(JOB) == before


def test_what_cannot_be_kept_in_the_tab_stops_nothing(browser, server):
    refusing = "() => { throw new DOMException('no', 'SecurityError'); }"
    off = ";".join(
        f"Object.defineProperty(window, '{name}Storage', {{ get: {refusing} }})"
        for name in ("session", "local")
    )
    for script in (off, f"Storage.prototype.setItem = {refusing}"):  # switched off, and full
        with visiting(browser, server) as visit:
            visit.context.add_init_script(script)
            visit.open()
            describe(visit.page)
            visit.page.fill("[name=height]", "")
            visit.page.wait_for_selector("text=Still to fill in: Height")


def test_an_answer_on_its_way_does_not_speak_of_fields_that_were_emptied(browser, server):
    with visiting(browser, server) as visit:
        page = visit.page
        for call in ("core.check", "judge.plan"):
            visit.open()
            waiting = held(page, call)
            describe(page) if call == "judge.plan" else page.select_option("[name=virtual-core]", "bin-h")
            until(page, lambda waiting=waiting: waiting)
            page.fill("[name=turns]", "")
            page.wait_for_selector("text=Still to fill in: Turns")
            with page.expect_response(f"**/ask/{call}"):
                waiting[0].continue_()
            page.wait_for_timeout(200)
            assert "Still to fill in: Turns" in page.inner_text("aside")
            assert "Comes when the dimensions are there" in page.inner_text("aside")
            page.unroute(f"**/ask/{call}")


def test_the_permeability_expected_is_no_part_of_the_core(browser, bins, server):
    with visiting(browser, server) as visit:
        page = visit.page
        held(page, "judge.identify")
        work_on(visit, bins[0])
        page.wait_for_selector("h1:has-text('Verdict')")
        page.click("nav >> text=Describe")
        page.get_by_label("Permeability you expect").fill("many")
        page.wait_for_selector("text=A plain number was expected")
        assert page.locator("aside .waiting").count() == 0
        assert page.evaluate(JOB)["sweepRecord"] == bins[0]


def test_who_types_goes_on_typing_when_the_line_comes_back(browser, server):
    with visiting(browser, server) as visit:
        page = visit.page
        line = Line(page)
        visit.open()
        until(page, lambda: line.sockets)
        page.click("summary:has-text('More about the core')")
        page.click("[name=mass]")
        page.keyboard.type("14 g")
        page.keyboard.press("Home")
        with page.expect_response("**/ask/state"):
            line.sockets[0].close()
            until(page, lambda: len(line.sockets) > 1)
        page.wait_for_selector("#line:empty", state="attached")
        page.wait_for_timeout(200)
        page.keyboard.type("2")
        assert page.evaluate(JOB)["core"]["mass"] == "214 g"


def test_what_runs_is_called_by_its_name_though_its_first_event_came_before_it(browser, server):
    with visiting(browser, server) as visit:
        line = Line(visit.page)
        visit.open()
        until(visit.page, lambda: line.sockets)
        line.tell(type="hello", work=None)
        line.tell(type="event", work=1, event={"type": "step", "fixture": "tied", "share": 0, "said": ""})
        line.tell(type="begun", work=1, what="calibrate", mine=False, about={"bench": "own"})
        visit.page.wait_for_selector("text=Another page runs a calibration")
        line.tell(type="hello", work=None)
        line.tell(type="begun", work=1, what="sweep", mine=False, about={"name": "ring of the lamp"})
        visit.page.wait_for_selector("text=Another page runs a sweep of ring of the lamp")


def test_a_calibration_that_waits_for_hands_says_so_at_every_place(browser, server):
    with visiting(browser, server) as visit:
        line = Line(visit.page)
        visit.open("library")
        until(visit.page, lambda: line.sockets)
        line.tell(type="begun", work=1, what="calibrate", mine=True, about={"bench": "own"})
        fit = {"type": "fit", "number": 1, "fixture": "short", "what": "fit the short"}
        line.tell(type="event", work=1, event=fit)
        visit.page.wait_for_selector("#watch >> text=It waits: now fit the short.")
        line.tell(type="event", work=1, event={"type": "step", "fixture": "short", "share": 0.1, "said": ""})
        visit.page.wait_for_selector("#watch >> text=/is running.$/")


def test_a_tag_that_is_refused_stays_in_its_field(browser, bins, server):
    with visiting(browser, server, expected=("409 (Conflict)",)) as visit:
        page = visit.page
        visit.open(f"record/{bins[0]}")
        page.get_by_label("New tag").fill("bin 4 " * 40)
        page.click("text=Put the tag on")
        page.wait_for_selector(".place .error")
        assert page.get_by_label("New tag").input_value().startswith("bin 4")


def test_marks_are_still_there_when_a_picture_too_large_to_be_kept_is_chosen_again(browser, server):
    picture = io.BytesIO()
    Figure(figsize=(4, 3), dpi=100).savefig(picture, format="png")
    file = {"name": "g.png", "mimeType": "image/png", "buffer": picture.getvalue()}
    with visiting(browser, server) as visit:
        page = visit.page
        visit.open("reader")
        page.set_input_files("[name=picture]", file)
        for x, y in ((50, 250), (350, 250), (50, 250), (50, 50)):
            page.click(".stage img", position={"x": x, "y": y})
        set_marks = page.locator("text=Set in the picture.")
        assert set_marks.count() == 4
        page.evaluate(
            "() => { const kept = JSON.parse(sessionStorage['whichcore-reader']);"
            "sessionStorage['whichcore-reader'] = JSON.stringify({ ...kept, source: '' }); }"
        )
        page.reload()
        page.wait_for_selector("text=Choose g.png again")
        page.set_input_files("[name=picture]", file)
        page.wait_for_selector(".stage img")
        assert set_marks.count() == 4
        page.set_input_files("[name=picture]", {**file, "name": "another.png"})
        page.wait_for_selector("text=Not set in the picture yet.")
        assert set_marks.count() == 0


def test_a_file_that_was_refused_and_mended_can_be_chosen_again(browser, server):
    with visiting(browser, server, expected=("400 (Bad Request)",)) as visit:
        page = visit.page
        visit.open()
        page.click("text=Take the core from a file")
        file = {"name": "ring.toml", "mimeType": "text/plain", "buffer": b"[core]"}
        page.set_input_files("[type=file]", file)
        page.wait_for_selector(".place .error")
        with page.expect_file_chooser():
            page.click("[type=file]")
        assert page.input_value("[type=file]") == ""  # else the browser sees no change in the same name


def test_a_view_is_told_what_goes_on_until_the_next_one_is_there(browser, server):
    with visiting(browser, server) as visit:
        page = visit.page
        line = Line(page)
        visit.open("calibrate")
        until(page, lambda: line.sockets)
        line.tell(type="begun", work=1, what="calibrate", mine=True, about={})
        waiting = held(page, "state")
        page.click("nav >> text=Describe")
        until(page, lambda: waiting)
        line.tell(type="event", work=1, event={"type": "step", "fixture": "short", "share": 0.5, "said": ""})
        page.wait_for_selector(".progress >> text=50 %")


def test_a_name_without_a_place_to_break_fits_a_phone(browser, bins, server):
    name = "grey_ring_of_the_lamp_shelf_" * 8
    with visiting(browser, server) as visit:
        page = visit.page
        page.set_viewport_size(PHONE)
        line = Line(page)
        work_on(visit, bins[0])
        page.wait_for_selector(".sentence", timeout=LATER)
        page.click("nav >> text=Describe")
        page.fill("[name=name]", name)
        line.tell(type="begun", work=1, what="sweep", mine=False, about={"name": name[:200]})
        for place in ("sweep", f"record/{named(name)}", "records"):
            visit.open(place)
            until(page, lambda: page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


def named(name):
    """Keep a core of this name, and return its record."""
    with open_store() as store, tempfile.TemporaryDirectory() as folder:
        case = next(one.request for one in demo_bins() if one.id == "d")
        place = Path(folder) / "core.toml"
        lines = [f'name = "{name}"', *case.specimen.read_text(encoding="utf-8").splitlines()]
        place.write_text("\n".join(lines), encoding="utf-8")
        return keep_core(store, place)
