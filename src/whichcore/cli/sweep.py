"""``whichcore sweep``."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import click

from whichcore.analysis.permeability import permeability
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.trial import try_data
from whichcore.bench import BenchSettings, OpenBench
from whichcore.cli.at_bench import Bar, at_bench, band_options, bench_option, core_option, fit_core, hertz
from whichcore.cli.keeping import keep_options, kept_sweep
from whichcore.cli.many_tones import tilt_option, tone_options
from whichcore.cli.options import dark_option, reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.cli.sweep_ways import way_options, ways
from whichcore.errors import UsageError
from whichcore.files import Dimension, load_specimen, load_sweep, make_folder, parse_quantity
from whichcore.measure import (
    StoredCalibration,
    SweepRequest,
    fingerprint_of,
    load_calibration,
    newest_calibration,
    run_sweep,
)
from whichcore.measure.heard import Heard
from whichcore.measure.record import one_record
from whichcore.measure.setting import bench_name
from whichcore.measure.tones_said import take_line, tones_report, tones_text
from whichcore.rig.events import Finished, NotReachable, OutputFoundOn, PointDone, TakeDone, TonesPlayed
from whichcore.rig.sweep.level import DriveRule, FluxRule
from whichcore.wording import in_percent, quantity, with_uncertainty

FORMAT = "whichcore-sweep-result/1"
USUAL_FLUX_T = 0.25e-3


@click.command()
@click.option("--specimen", required=True, metavar="FILE", help="Specimen file (TOML) of the wound core.")
@click.option(
    "--out",
    required=True,
    metavar="FILE",
    help="Sweep file (CSV). Each point is on the disk before the next begins; the same command takes a "
    "stopped sweep up again, and a file of another sweep is refused.",
)
@bench_option
@click.option(
    "--calibration",
    metavar="FILE",
    help="Calibration to use; without it the one in your data folder that belongs to this set-up.",
)
@band_options(defaults=False)
@click.option(
    "--flux-density",
    metavar="TEXT",
    help='Peak flux density kept in the core and never passed, such as "0.25 mT". Without it that of the '
    "bench file, else 0.25 mT, which defines the initial permeability at low frequency.",
)
@click.option(
    "--drive",
    metavar="TEXT",
    help='One level of the source for the whole sweep instead, peak to peak with the output open: "1 V".',
)
@way_options
@tone_options
@tilt_option
@core_option
@click.option(
    "--record",
    metavar="DIR",
    help="Before the sweep, draw one raw record at its lowest frequency, with its fit and what is left over, "
    "into this folder.",
)
@keep_options
@dark_option
@reporting
@click.pass_obj
def command(session: Session, /, bench_file: str | None, **asked: Any) -> None:
    """Measure the impedance of a wound core within the band of a calibration, and write it down.

    Frequencies are those of the calibration; --from and --to narrow them, --points-per-decade thins them.
    More points than the calibration has are read between its own, and one line says what that adds to the
    uncertainty; where the calibrated ones lie too far apart for it the sweep is refused.

    With --multitone all frequencies are played at once; the flux density kept is that of all together.

    The level follows the flux density; a point that cannot be had within it is reported, never driven harder.
    The first frequency is measured again at the end, which shows drift. Ctrl-C leaves the output off and the
    file whole. Then: whichcore identify --specimen FILE --sweep FILE.
    """
    specimen = load_specimen(asked["specimen"])
    out, how, heard = Path(asked["out"]), ways(asked), Heard()
    more = how.for_request(specimen)
    told: list[NotReachable | Finished | OutputFoundOn | TonesPlayed] = []
    place = Path(asked["specimen"])
    with (
        kept_sweep(session, place, out, asked),
        at_bench(bench_file) as (settings, opened, _, cancel),
        Bar() as bar,
    ):
        fit_core(opened, specimen, asked["core"])
        stored = _calibration(settings, opened, asked["calibration"])
        band, density = _band(asked), asked["points_per_decade"]
        played = how.played(settings, opened.bench, stored, band, density)
        grid, tones = played or (stored.grid(*band, density), None)
        how.refuse_beside_tones()
        request = SweepRequest(specimen, out, grid, _level(settings, specimen, asked), tones=tones, **more)
        if asked["record"] is not None:
            _draw(session, opened, request, cancel, asked)
        for event in run_sweep(settings, opened.bench, stored, request, cancel):
            heard.hear(event)
            if isinstance(event, PointDone):
                share = (heard.skipped + heard.points) / len(request.frequency_hz)
                bar.show(quantity(event.frequency_hz, "Hz"), share)
            if isinstance(event, TakeDone):
                bar.show(take_line(event), event.takes / event.wanted)
            if isinstance(event, NotReachable | Finished | OutputFoundOn | TonesPlayed):
                told.append(event)
    for item in told:
        if isinstance(item, OutputFoundOn):
            session.warn("the output was on at the start, left so by an earlier program; it is off now")
    report = _report(out, specimen, told) | heard.to_dict()
    session.deliver(lambda: report, lambda: _text(report, asked["specimen"], heard))


def _calibration(settings: BenchSettings, opened: OpenBench, named: str | None) -> StoredCalibration:
    if named is not None:
        return load_calibration(Path(named))
    fingerprint = fingerprint_of(settings, opened.bench)
    return load_calibration(newest_calibration(bench_name(settings), fingerprint))


def _band(asked: dict[str, Any]) -> tuple[float | None, float | None]:
    return hertz(asked["from_text"], "--from"), hertz(asked["to_text"], "--to")


def _level(settings: BenchSettings, specimen: Specimen, asked: dict[str, Any]) -> DriveRule | FluxRule:
    flux, drive = asked["flux_density"], asked["drive"]
    if flux is not None and drive is not None:
        raise UsageError("one of both sets the level", where="--flux-density, --drive", got="both")
    if drive is not None:
        return DriveRule(parse_quantity(drive, Dimension.VOLTAGE, where="--drive"))
    if flux is not None:
        return FluxRule(parse_quantity(flux, Dimension.FLUX_DENSITY, where="--flux-density"), specimen)
    return FluxRule(settings.flux_density_t or USUAL_FLUX_T, specimen)


def _draw(
    session: Session, opened: OpenBench, request: SweepRequest, cancel: threading.Event, asked: dict[str, Any]
) -> None:
    from whichcore import figures  # noqa: PLC0415 - matplotlib is loaded only when a picture is wanted

    rule, lowest = request.level, request.frequency_hz[0]
    level = rule.level_vpp if isinstance(rule, DriveRule) else rule.safe_level_vpp(lowest)
    level = max(level, opened.bench.source.limits.level_vpp[0])
    capture, phasors = one_record(opened.bench, cancel, frequency_hz=lowest, level_vpp=level)
    folder = Path(asked["record"])
    make_folder(folder)
    figure = figures.record_figure(capture, phasors, dark=asked["dark"])
    for path in figures.save(figure, folder / f"{request.out.stem}-record"):
        session.note(f"written: {path}")


def _report(
    out: Path, specimen: Specimen, told: list[NotReachable | Finished | OutputFoundOn | TonesPlayed]
) -> dict[str, Any]:
    sweep = load_sweep(out)
    trial = try_data(sweep, specimen, permeability(sweep, specimen))
    spectrum = trial.spectrum
    mu = complex(spectrum.permeability[0])
    variance = float(spectrum.scatter[0, 0, 0])
    variance += sum(float(source.sensitivity[0].real) ** 2 for source in spectrum.sources)
    finished = next((item for item in told if isinstance(item, Finished)), None)
    played = next((item for item in told if isinstance(item, TonesPlayed)), None)
    return {
        "format": FORMAT,
        "file": str(out),
        "points": len(sweep.frequency_hz),
        "from_hz": float(sweep.frequency_hz[0]),
        "to_hz": float(sweep.frequency_hz[-1]),
        "permeability": {"value": mu.real, "standard_uncertainty": variance**0.5},
        "not_reachable": [
            {"frequency_hz": item.frequency_hz, "reason": item.reason}
            for item in told
            if isinstance(item, NotReachable)
        ],
        "drift": None if finished is None else finished.drift,
        "u_drift": None if finished is None else finished.u_drift,
        "tones": tones_report(played),
        "duration_s": None if finished is None else finished.duration_s,
        "trial": [finding.to_dict() for finding in trial.findings],
    }


def _text(report: dict[str, Any], specimen: str, heard: Heard) -> str:
    mu = report["permeability"]
    lines = [
        f"{report['points']} points from {quantity(report['from_hz'], 'Hz')} to "
        f"{quantity(report['to_hz'], 'Hz')}, in {report['file']}.",
        f"Permeability μ′ at the lowest: {_level_text(mu['value'], mu['standard_uncertainty'])}.",
        *tones_text(report["tones"]),
    ]
    if report["drift"] is not None:
        lines.append(
            f"The first frequency, measured again at the end, differs by {in_percent(report['drift'])} "
            f"(± {in_percent(report['u_drift'])})."
        )
    lines += heard.lines()
    lost = tuple((quantity(item["frequency_hz"], "Hz"), item["reason"]) for item in report["not_reachable"])
    grid = [Grid(("not reachable", "why"), lost)] if lost else []
    tried = Lines(_trial_lines(report["trial"]))
    step = Lines((f"Next: whichcore identify --specimen {specimen} --sweep {report['file']}",))
    return page([Lines(tuple(lines)), *grid, tried, step])


def _level_text(value: float, uncertainty: float) -> str:
    if uncertainty >= abs(value):
        return "not determined, since its standard uncertainty is no smaller than the value"
    return f"{with_uncertainty(value, uncertainty)} (standard uncertainty)"


def _trial_lines(trial: list[dict[str, Any]]) -> tuple[str, ...]:
    failed = [f"  {item['test']}: {item['sentence']}." for item in trial if item["passed"] is False]
    tested = sum(item["passed"] is not None for item in trial)
    if not failed:
        return (f"Data: all of {tested} tests passed.",)
    return (f"Data: {len(failed)} of {tested} tests failed.", *failed)
