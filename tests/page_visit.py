"""The bench page in a browser: opening it, what must not happen on it, and the first steps of the job."""

import contextlib
import shutil
from pathlib import Path

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
AXE = Path(__file__).parent / "vendor" / "axe.min.js"
ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SOON, LATER = 60_000, 180_000  # ms a wait may take; nothing is timed
WIDE, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}


@contextlib.contextmanager
def started_browser():
    """Yield chromium; skips where it is not there."""
    sync_api = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGS)
        yield started
        started.close()


class Visit:
    """A page in the browser, and what must not happen on it."""

    def __init__(self, browser, address, expected=()):
        self.address = address
        self.context = browser.new_context(viewport=WIDE, reduced_motion="reduce")
        self.page = self.context.new_page()
        self.page.set_default_timeout(SOON)
        self.faults, self.foreign = [], []
        self.expected = expected
        self.page.on("console", self._said)
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.on("request", self._asked)

    def _said(self, message):
        if message.type == "error" and not any(text in message.text for text in self.expected):
            self.faults.append(message.text)

    def _asked(self, request):
        own = (self.address, self.address.replace("http", "ws", 1), "blob:", "data:")
        if not request.url.startswith(own):
            self.foreign.append(request.url)

    def open(self, place=""):
        self.page.goto(f"{self.address}#{place}")
        self.page.wait_for_selector("h1")

    def sound(self):
        """Look at the page in both colours and both widths."""
        for scheme in ("light", "dark"):
            self.page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
            self.page.evaluate(AXE.read_text(encoding="utf-8"))
            found = self.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
            assert [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]] == []
        self.page.set_viewport_size(PHONE)
        for _ in range(600):  # a minute
            self.page.wait_for_timeout(100)
            beyond = self.page.evaluate("document.documentElement.scrollWidth - innerWidth")
            if beyond <= 0:
                break
        assert beyond <= 0
        self.page.set_viewport_size(WIDE)
        self.page.emulate_media(color_scheme="light", reduced_motion="reduce")

    def close(self):
        self.context.close()
        assert self.faults == []
        assert self.foreign == []


@contextlib.contextmanager
def visiting(browser, address, expected=()):
    visit = Visit(browser, address, expected)
    yield visit
    visit.close()


def fill(page, **values):
    for name, value in values.items():
        page.fill(f"[name={name.replace('__', '-')}]", value)


def describe(page, core="bin-h"):
    page.select_option("[name=virtual-core]", core)
    page.fill("[name=turns]", "10")
    page.wait_for_selector("text=Effective length")


def calibrate(page):
    page.fill("[name=calibrate-from]", "10 kHz")
    page.fill("[name=calibrate-to]", "300 kHz")
    page.fill("[name=calibrate-density]", "3")
    page.click("button:has-text('Start the calibration')")
