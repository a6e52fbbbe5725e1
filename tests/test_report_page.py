"""The report in a browser, and from the server of the bench page."""

from dataclasses import replace

import pytest

from page_server import Page, page_server
from page_visit import AXE
from whichcore.analysis.materials import Library
from whichcore.libraries import load_library
from whichcore.records import keep_case, open_store
from whichcore.report import dossier_of_files, report_of, written
from whichcore.web.app import REPORT_POLICY
from whichcore.workflow import Identification, demo_bins

pytestmark = pytest.mark.soak

REQUEST = next(one.request for one in demo_bins() if one.id == "d")
HOSTILE = "<img src=x onerror=alert(1)><script>alert(1)</script>" + "y" * 500


@pytest.fixture(scope="module")
def library():
    return Library(load_library("shipped").materials[::8])


@pytest.fixture(scope="module")
def dossier(library):
    return dossier_of_files(REQUEST, library)


def test_no_rule_of_access_is_broken_and_a_hostile_name_does_nothing(browser, dossier, tmp_path):
    """Independent code: axe-core, in both colours; 1280 and 390 pixels wide, nothing beyond the edge."""
    names = {one: f"{one} {HOSTILE}" for one in dossier.names}
    path = tmp_path / "r.html"
    path.write_bytes(written(report_of(replace(dossier, name=HOSTILE, names=names)), "html"))
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    foreign, said = [], []
    page.on("request", lambda request: foreign.append(request.url))
    page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
    page.on("console", lambda message: said.append(message.text))
    page.goto(path.as_uri())
    shown = set()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        for width in (1280, 390):
            page.set_viewport_size({"width": width, "height": 844})
            page.wait_for_function(
                "[...document.images].every((one) => one.complete && one.naturalWidth > 0)"
            )
            assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
            shown.add(page.evaluate("document.images[0].currentSrc"))
        page.evaluate(AXE.read_text(encoding="utf-8"))
        found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
        assert [(one["id"], one["nodes"][0]["html"][:120]) for one in found["violations"]] == []
    assert len(shown) == 2  # a picture of its own for each colour of the page
    assert page.locator("script").count() == 0
    assert [url for url in foreign if not url.startswith(("file:", "data:"))] == []
    assert said == []
    context.close()


def test_the_server_hands_out_the_report_of_a_record(dossier, library, tmp_path):
    with open_store(str(tmp_path / "records.sqlite")) as store:
        case = Identification(dossier.specimen, dossier.sweep, library, dossier.verdict)
        core, _, verdict = keep_case(store, REQUEST, case)
    with page_server(tmp_path) as (address, _):
        page = Page(address)
        html = page.request("GET", f"/report/{verdict}.html")
        assert html.status_code == 200, html.text
        assert html.headers["content-security-policy"] == REPORT_POLICY
        assert "printed as it was given" in html.text
        pdf = page.request("GET", f"/report/{verdict}.pdf")
        assert pdf.content.startswith(b"%PDF-")
        assert pdf.headers["content-disposition"] == f'inline; filename="report-{verdict[:8]}.pdf"'
        wrong = page.request("GET", f"/report/{core}.html")
        assert wrong.status_code == 409
        assert wrong.json()["error"]["what"] == "a report is made of a verdict"
