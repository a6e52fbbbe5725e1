"""Take the pictures of the bench page: every step on the virtual bench, light, dark and on a phone.

Run ``python docs/make_page_images.py`` after a change of the page. It wants chromium and the test extra. The
virtual bench works in real time, so it takes some minutes; noise differs from run to run, and so do the
pictures.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from PIL import Image
from playwright.sync_api import Page, sync_playwright

IMAGES = Path(__file__).resolve().parent / "images"
ENTRY = "from whichcore.cli import main; main()"
ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
SIZES = {"": (1180, 940, "light"), "-dark": (1180, 940, "dark"), "-phone": (390, 940, "light")}
COLOURS = 96  # of a palette; a page needs no more
LONG_MS = 600_000
BAND = {"from": "3 kHz", "to": "3 MHz", "density": "5"}


def main() -> None:
    """Go through the job once, and take every picture on the way."""
    with server() as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=ARGS)
        page = browser.new_context(reduced_motion="reduce").new_page()
        page.set_default_timeout(LONG_MS)
        page.goto(address)
        describe(page)
        measure(page)
        look_back(page, address)
        read_graph(page, address)
        browser.close()


@contextmanager
def server() -> Iterator[str]:
    """Yield the address of a page with a data folder of its own."""
    with tempfile.TemporaryDirectory() as home:
        process = subprocess.Popen(  # noqa: S603 - our own program
            [sys.executable, "-c", ENTRY, "serve", "--no-open", "--json", "--port", "0"],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "WHICHCORE_HOME": home},
            cwd=home,
        )
        assert process.stdout is not None  # noqa: S101 - asked for above
        try:
            yield json.loads(process.stdout.readline())["address"]
        finally:
            process.terminate()
            process.wait()


def describe(page: Page) -> None:
    """Choose a core of the virtual bench."""
    page.select_option("[name=virtual-core]", "bin-h")
    page.fill("[name=turns]", "10")
    page.fill("[name=name]", "bin h, grey ring")
    page.wait_for_selector("text=/Wind .* turns/")
    page.focus("[name=inner_diameter]")
    take(page, "describe", ".field:has([name=shape])")


def measure(page: Page) -> None:
    """Calibrate, sweep and judge."""
    page.click("text=Go on: calibrate")
    for key, value in BAND.items():
        page.fill(f"[name=calibrate-{key}]", value)
    page.click("button:has-text('Start the calibration')")
    page.wait_for_selector(".progress li:nth-child(3)")
    take(page, "calibrate")
    page.wait_for_selector("text=Done and kept.")
    page.click("text=Go on: sweep")
    page.click("button:has-text('Start the sweep')")
    page.wait_for_selector("text=/1[0-9] of/")
    take(page, "sweep", ".card:has(progress)")
    page.wait_for_selector("text=Done, and kept")
    page.click("text=Go on: verdict")
    page.wait_for_selector(".sentence")
    take(page, "verdict")


def look_back(page: Page, address: str) -> None:
    """Open the records."""
    page.fill("[name=tag]", "chargers")
    page.click("text=Put the tag on")
    page.wait_for_selector("text=Tagged")
    page.goto(f"{address}#records")
    page.wait_for_selector(".records li")
    take(page, "records")


def read_graph(page: Page, address: str) -> None:
    """Trace an invented graph."""
    picture, place = graph()
    page.goto(f"{address}#reader")
    page.set_input_files("[name=picture]", {"name": "graph.png", "mimeType": "image/png", "buffer": picture})
    page.wait_for_selector(".stage img")

    def click(x: float, y: float) -> None:
        box: Any = page.locator(".stage img").bounding_box()
        across, down = place(x, y)
        page.mouse.click(box["x"] + across * box["width"], box["y"] + down * box["height"])

    for mark in ((1e5, 1), (1e7, 1), (1e4, 10), (1e4, 1000)):
        click(*mark)
    values = {"horizontal-0": "100 kHz", "horizontal-1": "10 MHz", "vertical-0": "10", "vertical-1": "1000"}
    for name, value in values.items():
        page.fill(f"[name=mark-{name}]", value)
    for x in np.geomspace(2e4, 2e7, 12):
        click(x, law(x).real)
    page.get_by_label("μ″ curve").check()
    for x in np.geomspace(2e5, 3e6, 6):
        click(x, -law(x).imag)
    take(page, "reader", ".work")


def law(frequency: Any) -> Any:
    """Return an invented permeability: one relaxation, μi 800, corner 2 MHz."""
    return 1 + 799 / (1 + 1j * frequency / 2e6)


def graph() -> tuple[bytes, Any]:
    """Return a picture of a graph, and where on it a value lies, as shares of its width and height."""
    frequency = np.geomspace(1e4, 1e8, 300)
    figure = Figure(figsize=(8, 4.4), dpi=100)
    panel = figure.add_subplot()
    panel.loglog(frequency, law(frequency).real, "k", frequency, -law(frequency).imag, "k--")
    panel.set_xlim(1e4, 1e8)
    panel.set_ylim(1, 2000)
    panel.grid(visible=True, which="both", linewidth=0.4)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png")

    def place(x: float, y: float) -> tuple[float, float]:
        across, up = panel.transData.transform((x, y))
        return float(across) / 800, 1 - float(up) / 440

    return buffer.getvalue(), place


def take(page: Page, name: str, top: str | None = None) -> None:
    """Take a picture in each size and colour; its upper edge is at ``top``, where that is named."""
    for suffix, (width, height, scheme) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
        page.wait_for_timeout(600)
        if top is None:
            page.evaluate("scrollTo(0, 0)")
        else:
            page.locator(top).first.evaluate(
                "(e) => scrollTo(0, e.getBoundingClientRect().top + scrollY - 30)"
            )
        picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
        # the same for every run: no time, no comment
        picture.quantize(COLOURS).save(IMAGES / f"page-{name}{suffix}.png", optimize=True)
    width, height, _ = SIZES[""]
    page.set_viewport_size({"width": width, "height": height})
    page.emulate_media(color_scheme="light")


if __name__ == "__main__":
    main()
