"""``whichcore from-files``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import numpy as np

from whichcore.analysis.types import FlagKind
from whichcore.bench.captures import load_captures
from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Lines, page
from whichcore.errors import UsageError
from whichcore.files import load_specimen, write_sweep
from whichcore.measure import load_calibration, save_calibration
from whichcore.measure.from_files import FromFiles, from_files
from whichcore.wording import quantity, with_uncertainty

FORMAT = "whichcore-from-files/1"
_IN_THE_UNCERTAINTY = {FlagKind.QUANTISATION_LIMITED.value}


@click.command()
@click.option(
    "--captures",
    required=True,
    metavar="FILE",
    help="List of the waveform files (TOML): wiring, shunt, channels, and which files belong to the core and "
    "to each standard. See docs/how-to/measure-with-a-usb-stick.md.",
)
@click.option(
    "--out",
    metavar="FILE",
    help="Sweep file (CSV) to write for the core. One that is there is replaced.",
)
@click.option("--specimen", metavar="FILE", help="Specimen file of the core: adds its flux density.")
@click.option(
    "--calibration",
    metavar="FILE",
    help="Calibration made from files measured the same way, where the list holds no standards.",
)
@click.option(
    "--save-calibration",
    metavar="FILE",
    help="Keep the calibration that the standards of the list give (.npz), for other cores.",
)
@reporting
@click.pass_obj
def command(session: Session, /, **asked: Any) -> None:
    """Turn waveform files saved on a scope or a recorder into a sweep.

    One file for each frequency, or one record with many tones; CSV in most layouts, or WAV. A frequency that
    is not stated is found in the record and shown. A file that cannot be used is named with the reason, and
    the rest is kept. Then: whichcore identify --specimen FILE --sweep FILE.
    """
    _check(asked)
    captures = load_captures(asked["captures"])
    specimen = None if asked["specimen"] is None else load_specimen(asked["specimen"])
    calibration = None if asked["calibration"] is None else load_calibration(Path(asked["calibration"]))
    made = from_files(captures, specimen=specimen, calibration=calibration)
    written = []
    if asked["save_calibration"] is not None:
        if made.calibration is None:
            raise UsageError(
                "the list holds no standards, so there is no calibration to keep",
                where="--save-calibration",
                next_step="add [captures.open], [captures.short] and [captures.load] to it",
            )
        written.append(str(save_calibration(made.calibration, Path(asked["save_calibration"]))))
    if made.sweep is not None:
        if asked["out"] is None:
            raise UsageError(
                "the list holds a core, and nowhere to write its sweep", where="--out", got="none"
            )
        write_sweep(Path(asked["out"]), made.sweep)
        written.append(asked["out"])
    elif asked["out"] is not None:
        raise UsageError(
            "the list holds no core, so there is no sweep to write",
            where="--out",
            got=asked["out"],
            next_step="add [captures.core], or keep the calibration alone with --save-calibration FILE",
        )
    for path in written:
        session.note(f"written: {path}")
    session.deliver(lambda: _report(made, written), lambda: _text(made, asked))


def _check(asked: dict[str, Any]) -> None:
    if asked["out"] is None and asked["save_calibration"] is None:
        raise UsageError(
            "nothing is to be written",
            where="whichcore from-files",
            allowed="--out FILE for the sweep of a core, --save-calibration FILE for a calibration",
        )
    if asked["calibration"] is not None and asked["save_calibration"] is not None:
        raise UsageError(
            "a calibration is either given or made",
            where="--calibration, --save-calibration",
            got="both",
        )


def _report(made: FromFiles, written: list[str]) -> dict[str, Any]:
    model = None if made.calibration is None else made.calibration.model
    return {
        "format": FORMAT,
        "written": written,
        "points": _points(made),
        "left_out": [{"captures": f.name, "file": f.file, "error": f.error.to_dict()} for f in made.faults],
        "error_model": "ratio" if model is None else model.kind,
        "calibration": None if model is None else model.calibration_id,
        "standards": [] if model is None else list(model.standards),
    }


def _points(made: FromFiles) -> list[dict[str, Any]]:
    if made.sweep is None:
        return []
    sweep = made.sweep
    variance = np.stack([sweep.scatter[:, 0, 0], sweep.scatter[:, 1, 1]])
    for source in sweep.sources:
        variance += np.stack([source.sensitivity.real**2, source.sensitivity.imag**2])
    flux = sweep.flux_density_t
    return [
        {
            "frequency_hz": float(sweep.frequency_hz[k]),
            "found": point.found,
            "files": list(point.files),
            "impedance_real_ohm": float(sweep.impedance_ohm[k].real),
            "impedance_imag_ohm": float(sweep.impedance_ohm[k].imag),
            "u_real_ohm": float(np.sqrt(variance[0, k])),
            "u_imag_ohm": float(np.sqrt(variance[1, k])),
            "flux_density_t": None if flux is None else float(flux[k]),
            "flags": [{"kind": flag.kind.value, "detail": flag.detail} for flag in point.phasors.flags],
        }
        for k, point in enumerate(made.points)
    ]


def _text(made: FromFiles, asked: dict[str, Any]) -> str:
    blocks: list[Grid | Lines] = []
    rows = _points(made)
    if rows:
        heads = ("frequency", "", "R in Ω", "X in Ω", "B", "file", "remarks")
        blocks.append(Grid(heads, tuple(_row(row) for row in rows), frozenset({"frequency"})))
    model = None if made.calibration is None else made.calibration.model
    by = "the known shunt alone" if model is None else f"{model.kind} ({', '.join(model.standards)})"
    lines = [f"Corrected by {by}; ± is one standard uncertainty."] if rows else []
    if not rows and model is not None:
        lines.append(f"Calibration {model.kind} at {model.frequency_hz.size} frequencies.")
    if made.faults:
        lines.append(f"{len(made.faults)} files or frequencies were left out; see the warnings.")
    if rows:
        specimen = asked["specimen"] or "FILE"
        lines.append(f"Next: whichcore identify --specimen {specimen} --sweep {asked['out']}")
    return page([*blocks, Lines(tuple(lines))])


def _row(row: dict[str, Any]) -> tuple[str, ...]:
    flux = row["flux_density_t"]
    files = row["files"]
    return (
        quantity(row["frequency_hz"], "Hz", 6),
        "found" if row["found"] else "stated",
        with_uncertainty(row["impedance_real_ohm"], row["u_real_ohm"]),
        with_uncertainty(row["impedance_imag_ohm"], row["u_imag_ohm"]),
        "" if flux is None else quantity(flux, "T"),
        files[0] if len(files) == 1 else f"{files[0]} and {len(files) - 1} more",
        "; ".join(flag["kind"] for flag in row["flags"] if flag["kind"] not in _IN_THE_UNCERTAINTY),
    )
