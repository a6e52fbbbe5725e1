"""Records of ngspice saved as a scope would save them: known parts and a core within what is stated.

The circuit, its solution in time and the truth owe nothing to the code under test: the netlist is written by
hand, the truth is the impedance of its parts (analytic).
"""

import os
import shutil
import subprocess

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.constants import mu_0
from scipy.interpolate import CubicSpline

import scope_files as scope
from whichcore.cli.root import root
from whichcore.files import load_sweep

STEPS, SETTLED, PERIODS = 300, 20, 13
AIR_H = mu_0 * 10**2 * 10e-3 * np.log(25 / 15) / (2 * np.pi)  # analytic: μ0 N² h ln(d1/d2)/2π
TERMS = ((600.0, 1.5e6), (900.0, 5e6))  # χ and Hz of two relaxations: an invented ferrite of μi 1501


def resistor(_):
    return ["R1 p q1 100", "L1 q1 q 10n"], lambda jw: 100 + jw * 10e-9


def inductor(_):
    return ["R1 p q1 0.5", "L1 q1 q 100u"], lambda jw: 0.5 + jw * 100e-6


def capacitor(_):
    return ["R1 p q1 0.2", "C1 q1 q 10n"], lambda jw: 0.2 + 1 / (jw * 10e-9)


def core(hertz):
    lines = [f"L0 p k0 {AIR_H}"]
    for k, (chi, corner) in enumerate(TERMS):
        ends = f"k{k} {'q' if k == len(TERMS) - 1 else f'k{k + 1}'}"
        lines += [f"L1{k} {ends} {AIR_H * chi}", f"R1{k} {ends} {2 * np.pi * corner * AIR_H * chi}"]
    return lines, lambda jw: jw * AIR_H * (1 + sum(chi / (1 + 1j * hertz / f) for chi, f in TERMS))


PARTS = {"resistor": resistor, "inductor": inductor, "capacitor": capacitor, "core": core}
LIST = """
wiring = "{wiring}"
[channels]
gain_tolerance = "0.2 %"
delay_tolerance = "0.2 ns"
nonlinearity = 0
[shunt]
resistance = "10 ohm"
tolerance = "0.1 %"
inductance = "5 nH"
inductance_tolerance = "1 nH"
capacitance = "70 pF"
capacitance_tolerance = "5 pF"
[captures.core]
folder = "files"
"""


def record(folder, wiring, hertz, part):
    """Return time and both node voltages of ngspice, settled."""
    period = 1 / hertz
    step, start, end = period / STEPS, SETTLED * period, (SETTLED + PERIODS) * period
    lines, _ = part(hertz)
    if wiring == "shunt-at-ground":
        high, low, shunt = "a", "b", ["Rs b s 10", "Ls s 0 5n", "Cb b 0 70p"]
    else:
        high, low, shunt = "b", "0", ["Rs a s 10", "Ls s b 5n", "Cb b 0 70p"]
    lines = [" ".join({"p": high, "q": low}.get(w, w) for w in line.split()) for line in lines]
    deck = [
        "known part",
        ".options reltol=1e-6 abstol=1e-14 vntol=1e-11",
        f"V1 e 0 sin(0 1 {hertz})",
        "Ro e a 50",
        *lines,
        *shunt,
        f".tran {step} {end} {start} {step} uic",
        ".save v(a) v(b)",
        ".end",
        "",
    ]
    (folder / "deck.cir").write_text("\n".join(deck), encoding="utf-8")
    raw = folder / "out.raw"
    done = subprocess.run(
        ["ngspice", "-b", "-r", str(raw), str(folder / "deck.cir")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert raw.exists(), done.stdout + done.stderr
    table = np.frombuffer(raw.read_bytes().partition(b"Binary:\n")[2]).reshape(-1, 3)
    raw.unlink()
    time, keep = np.unique(table[:, 0], return_index=True)
    even = start + np.arange(2500) * (12.4 * period / 2500)
    return even, [CubicSpline(time, table[keep, k])(even) for k in (1, 2)]


def saved(folder, wiring, hertz, part, *, seed=1):
    """Save the record on 8-bit steps of a fitting 1-2-5 range, with half a step of noise."""
    time, rows = record(folder, wiring, hertz, part)
    rng = np.random.default_rng(seed)
    scale = [scope.rounded_up(np.abs(row).max()) for row in rows]
    steps = [s * 10 / 256 for s in scale]
    coded = [
        np.clip(np.round(row / step + rng.normal(0, 0.5, row.size)), -128, 127) * step
        for row, step in zip(rows, steps, strict=True)
    ]
    (folder / "files").mkdir(exist_ok=True)
    scope.write_two_columns(folder / "files" / f"{hertz:09.0f}.csv", time, coded, per_division=scale)


def checked(folder, wiring, part, grid):
    if shutil.which("ngspice") is None:
        missing = "ngspice is not installed (apt-get install ngspice)"
        pytest.fail(missing) if os.environ.get("WHICHCORE_NO_SKIP") else pytest.skip(missing)
    for hertz in grid:
        saved(folder, wiring, hertz, part)
    path, out = folder / "captures.toml", folder / "out.csv"
    path.write_text(LIST.format(wiring=wiring), encoding="utf-8")
    done = CliRunner().invoke(root, ["from-files", "--captures", str(path), "--out", str(out)])
    assert done.exit_code == 0, done.output
    sweep = load_sweep(out)
    assert sweep.frequency_hz == pytest.approx(grid, rel=1e-4)
    truth = np.array([part(f)[1](2j * np.pi * f) for f in grid])
    variance = np.stack([sweep.scatter[:, 0, 0], sweep.scatter[:, 1, 1]], axis=1)
    for source in sweep.sources:
        variance += np.stack([source.sensitivity.real**2, source.sensitivity.imag**2], axis=1)
    off = sweep.impedance_ohm - truth
    scores = np.stack([off.real, off.imag], axis=1) / np.sqrt(variance)
    assert np.abs(scores).max() < 3, scores
    return np.sqrt(variance) / np.abs(truth)[:, None]


@pytest.mark.parametrize("name", PARTS)
def test_a_known_part_is_within_what_is_stated(tmp_path, name):
    share = checked(tmp_path, "shunt-at-ground", PARTS[name], [1e5])
    # 8 bits, 2500 samples, channels alike within 0.2 %: some per mille (practice)
    assert share.max() < 0.02


@pytest.mark.soak
@pytest.mark.parametrize("wiring", ["shunt-at-ground", "specimen-at-ground"])
@pytest.mark.parametrize("name", PARTS)
def test_known_parts_over_the_band(tmp_path, name, wiring):
    checked(tmp_path, wiring, PARTS[name], [2e4, 6e4, 2e5, 6e5, 2e6])
