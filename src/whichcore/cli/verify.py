"""``whichcore verify``."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from whichcore.calibration.verify import Verification
from whichcore.cli.at_bench import Bar, at_bench, band_options, bench_option, hertz
from whichcore.cli.many_tones import sweep_tones, tone_options
from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Block, Grid, Heading, Lines, page
from whichcore.errors import CalibrationError
from whichcore.files import Dimension, parse_quantity
from whichcore.measure import StoredCalibration, fingerprint_of, load_calibration, newest_calibration
from whichcore.measure.setting import bench_name
from whichcore.measure.trend import Kept, keep, trend
from whichcore.measure.verify import VerificationPlan, chosen_parts, verify
from whichcore.wording import in_percent, quantity, with_uncertainty

FORMAT = "whichcore-verification-result/1"
USUAL_PER_DECADE = 5
SHOWN_CHECKS = 6


@click.command()
@click.option(
    "--part",
    "parts",
    metavar="NAME",
    multiple=True,
    help="A standard of bench.toml to check with, best one the calibration was not made with. May be given "
    "again.",
)
@bench_option
@click.option(
    "--calibration",
    metavar="FILE",
    help="Calibration to check; without it the one in your data folder that belongs to this set-up.",
)
@band_options(defaults=False)
@tone_options
@click.option("--temperature", metavar="TEXT", help='Of the room, such as "23 degC".')
@reporting
@click.pass_obj
def command(
    session: Session, /, bench_file: str | None, parts: tuple[str, ...], calibration: str | None, **asked: Any
) -> int:
    """Check a calibration with known parts: measured as specimens, compared with what is written on them.

    Each part passes or fails against its own tolerance and the bench's uncertainty together; a sound part
    on a sound bench fails once in a hundred checks, over all frequencies together. Five frequencies a decade
    unless told otherwise. The exit code is 5 where a part fails. Every check is kept, and the last ones are
    shown with how far the part has moved since the first.
    """
    results: list[Verification] = []
    with at_bench(bench_file) as (settings, opened, operator, cancel), Bar() as bar:
        chosen_parts(settings, parts)
        name = bench_name(settings)
        path = (
            newest_calibration(name, fingerprint_of(settings, opened.bench))
            if calibration is None
            else Path(calibration)
        )
        stored = load_calibration(path)
        plan = _plan(stored, parts, asked)
        if (tones := sweep_tones(settings, opened, stored, asked)) is not None:
            plan = replace(plan, frequency_hz=tones[0], tones=tones[1])
        for told in verify(settings, opened.bench, operator, (stored, plan), cancel):
            if isinstance(told, Verification):
                results.append(told)
                keep(told, _context(name, stored, asked))
                continue
            if told.said:
                session.note(told.said)
            bar.show(told.fixture, told.share)
    past = {item.part: trend(name, item.part) for item in results}
    session.deliver(lambda: _report(results, past, stored, path), lambda: _text(results, past))
    return 0 if all(item.passed for item in results) else CalibrationError.exit_code


def _plan(stored: StoredCalibration, parts: tuple[str, ...], asked: dict[str, Any]) -> VerificationPlan:
    low, high = hertz(asked["from_text"], "--from"), hertz(asked["to_text"], "--to")
    wanted = asked["points_per_decade"]
    grid = stored.grid(low, high, wanted)
    if wanted is None and len(grid) > USUAL_PER_DECADE * math.log10(grid[-1] / grid[0]) + 1:
        grid = stored.grid(low, high, USUAL_PER_DECADE)
    return VerificationPlan(parts, grid, temperature_c=_temperature(asked))


def _temperature(asked: dict[str, Any]) -> float | None:
    text = asked["temperature"]
    return None if text is None else parse_quantity(text, Dimension.TEMPERATURE, where="--temperature")


def _context(bench: str, stored: StoredCalibration, asked: dict[str, Any]) -> dict[str, Any]:
    return {
        "bench": bench,
        "wiring": str(stored.model.fingerprint.wiring),
        "calibration": stored.model.calibration_id,
        "error_model": stored.model.kind,
        "calibrated": stored.header.get("started"),
        "temperature_c": _temperature(asked),
    }


# --- JSON ---------------------------------------------------------------------------------------------------


def _report(
    results: list[Verification], past: dict[str, tuple[Kept, ...]], stored: StoredCalibration, path: Path
) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "passed": all(item.passed for item in results),
        "calibration": stored.model.calibration_id,
        "calibration_file": str(path),
        "parts": [_part_report(item, past[item.part]) for item in results],
    }


def _part_report(item: Verification, kept: tuple[Kept, ...]) -> dict[str, Any]:
    return {
        "part": item.part,
        "passed": item.passed,
        "used_in_calibration": item.used,
        "unit": item.unit,
        "false_alarm": item.chance,
        "worst_hz": float(item.frequency_hz[item.worst]),
        "points": [
            {
                "frequency_hz": float(f),
                "deviation_real": d.real,
                "deviation_imag": d.imag,
                "u_real": float(u[0]),
                "u_imag": float(u[1]),
                "allowed_real": float(most[0]),
                "allowed_imag": float(most[1]),
                "passed": bool(share <= 1),
            }
            for f, d, u, most, share in zip(
                item.frequency_hz, item.deviation.tolist(), item.u, item.allowed, item.share, strict=True
            )
        ],
        "checks_kept": len(kept),
        "change_since_first": _pair(_since(kept)),
    }


def _since(kept: tuple[Kept, ...]) -> complex | None:
    return kept[-1].change_since(kept[0]) if len(kept) > 1 else None


def _pair(change: complex | None) -> list[float] | None:
    return None if change is None else [change.real, change.imag]


# --- text ---------------------------------------------------------------------------------------------------


def _text(results: list[Verification], past: dict[str, tuple[Kept, ...]]) -> str:
    blocks: list[Block] = []
    for item in results:
        blocks += [Heading(_verdict(item)), _points(item)]
        if item.used:
            blocks.append(
                Lines(
                    (
                        f"The calibration was made with the {item.part}: this shows that it still reads the "
                        "same, not that it is right. A part that it was not made with tells that.",
                    )
                )
            )
        blocks += _checks(past[item.part], item)
    failed = [item.part for item in results if not item.passed]
    return page([*blocks, Lines(_next(failed, independent=any(not item.used for item in results)))])


def _verdict(item: Verification) -> str:
    share = item.share[item.worst]
    where = quantity(item.frequency_hz[item.worst], "Hz")
    if item.passed:
        return f"{item.part}: pass. At most {in_percent(share)} of what is allowed, at {where}."
    beyond = int((item.share > 1).sum())
    return (
        f"{item.part}: fail. {share:.3g} times what is allowed at {where}; {beyond} of "
        f"{item.frequency_hz.size} frequencies are beyond it."
    )


def _points(item: Verification) -> Grid:
    first, second = _HEADS[item.unit]
    rows = []
    for place, f in enumerate(item.frequency_hz):
        z, d, u = item.stated_ohm[place], item.deviation[place], item.u[place]
        share = item.share[place]
        rows.append(
            (
                quantity(f, "Hz"),
                _size(abs(z)),
                *_told(item.unit, d, u, float(f)),
                f"{100 * share:.0f} %",
                "" if share <= 1 else "beyond",
            )
        )
    return Grid(("at", "stated |Z|", first, second, "of what is allowed", " "), tuple(rows))


_HEADS = {
    "relative": ("size off by, %", "phase off by, mrad"),
    "ohm": ("R off by, mΩ", "X off by, mΩ"),
    "siemens": ("G off by, µS", "C off by, pF"),
}


def _told(unit: str, deviation: complex, u: Any, frequency_hz: float) -> tuple[str, str]:
    scales = {
        "relative": (100.0, 1e3),
        "ohm": (1e3, 1e3),
        "siemens": (1e6, 1e12 / (6.283185307179586 * frequency_hz)),
    }[unit]
    values = zip((deviation.real, deviation.imag), u, scales, strict=True)
    real, imag = (with_uncertainty(scale * value, scale * uncertain) for value, uncertain, scale in values)
    return real, imag


def _size(ohm: float) -> str:
    return "open" if ohm > 1e12 else quantity(ohm, "Ω")


def _checks(kept: tuple[Kept, ...], item: Verification) -> list[Block]:
    """Return the last checks as a table, with the change since the first."""
    if len(kept) < 2:
        return []
    rows = []
    for entry in kept[-SHOWN_CHECKS:]:
        change = entry.change_since(kept[0])
        told = ["", ""]
        if change is not None and entry is not kept[0]:
            told = [_signed(part, item.unit) for part in (change.real, change.imag)]
        rows.append(
            (
                entry.at.replace("T", " ").removesuffix("+00:00"),
                "pass" if entry.passed else "fail",
                in_percent(entry.share),
                *told,
                entry.calibration,
            )
        )
    heads = ("check (UTC)", "verdict", "of what is allowed", "real part moved", "imaginary", "calibration")
    return [
        Lines(
            (
                f"{len(kept)} checks with the {item.part} so far; how it moved since the first, in the last "
                f"{len(rows)}:",
            )
        ),
        Grid(heads, tuple(rows)),
    ]


def _signed(part: float, unit: str) -> str:
    scale, sign = {"relative": (100, "%"), "ohm": (1e3, "mΩ"), "siemens": (1e6, "µS")}[unit]
    return f"{scale * part:+z.2g} {sign}".replace("-", "−")


def _next(failed: list[str], *, independent: bool) -> tuple[str, ...]:
    if not failed:
        told = (
            "The calibration holds." if independent else "The bench reads as it did when it was calibrated."
        )
        return (f"{told} Next: whichcore sweep.",)
    named = ", ".join(failed)
    return (
        f"Next: clean the contacts of {named} and verify again. If it fails again, check with another part: "
        "where that fails too, calibrate again; where it passes, the part has changed or its label is wrong.",
    )
