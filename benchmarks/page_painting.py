"""From the server to the screen: a kept sweep of 1,000 points, four traces with their intervals.

Recorded, no gate (aim: 100 ms). The page's own modules ask for the sweep, draw |Z|, phase, μ′ and μ″, and
wait until the browser has painted; the median of several times, the first one apart, since it draws into new
charts. Needs the package playwright and Chromium.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

from whichcore.analysis.permeability import impedance_of
from whichcore.analysis.types import ImpedanceSweep
from whichcore.files import load_specimen, write_sweep
from whichcore.records import keep_core, keep_sweep, open_store

POINTS = 1_000
REPEATS = 9
ENTRY = "from whichcore.cli import main; main()"
SPECIMEN = """
[core]
shape = "ring"
outer_diameter = "25.0 mm"
inner_diameter = "15.0 mm"
height = "10.0 mm"
dimension_uncertainty = "0.03 mm"
[winding]
turns = 10
wire_diameter = "0.4 mm"
wire_length = "0.45 m"
lead_length = "40 mm"
"""
PAINT = """
async ({ record, repeats }) => {
  const { ask } = await import("/static/talk.js");
  const { Curves } = await import("/static/chart.js");
  const { MU_PANELS, Z_PANELS, muSeries, zSeries } = await import("/static/curves.js");
  const mu = new Curves("permeability", MU_PANELS), z = new Curves("impedance", Z_PANELS);
  document.body.replaceChildren(mu.node, z.node);
  const painted = () => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  const times = [];
  for (let k = 0; k < repeats; k++) {
    const begun = performance.now();
    const sweep = await ask("records.sweep", { record });
    const answered = performance.now();
    mu.set(muSeries(sweep.permeability, "", 0));
    z.set(zSeries(sweep, "", 1));
    await painted();
    times.push([answered - begun, performance.now() - answered, sweep.frequency_hz.length]);
  }
  return times;
}
"""


def keep(home: Path) -> str:
    """Keep a core and a sweep of many points; return the record of the sweep."""
    os.environ["WHICHCORE_HOME"] = str(home)
    card, curve = home / "ring.toml", home / "ring.csv"
    card.write_text(SPECIMEN, encoding="utf-8")
    frequency = np.geomspace(1e3, 3e6, POINTS)
    mu = 1 + 2300 / (1 + 1j * frequency / 2e6)  # a relaxation; what is drawn, not how, matters here
    z = impedance_of(mu, frequency, load_specimen(card))
    scatter = np.abs(z)[:, np.newaxis, np.newaxis] ** 2 * np.eye(2) * 1e-6
    write_sweep(curve, ImpedanceSweep(frequency, z, scatter))
    with open_store() as store:
        return keep_sweep(store, curve, core_id=keep_core(store, card))


def main() -> int:
    """Print the times."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        record = keep(Path(folder))
        words = [sys.executable, "-c", ENTRY, "serve", "--no-open", "--json", "--port", "0"]
        with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as server:
            address = json.loads(server.stdout.readline())["address"] if server.stdout else ""
            browser = driver.chromium.launch(
                executable_path="/usr/bin/chromium",
                args=["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking"],
            )
            page = browser.new_page()
            page.goto(address)
            times = page.evaluate(PAINT, {"record": record, "repeats": REPEATS})
            browser.close()
            server.terminate()
    first, rest = times[0], times[1:]
    answer, paint = (statistics.median(one[k] for one in rest) for k in (0, 1))
    print(f"{first[2]} points, 4 traces: first {first[0] + first[1]:.0f} ms (the desk starts with it)")
    print(f"then {answer + paint:.0f} ms: answer {answer:.0f} ms, painted {paint:.0f} ms; aim 100 ms")
    return 0


if __name__ == "__main__":
    sys.exit(main())
