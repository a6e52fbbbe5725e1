"""``whichcore join``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from whichcore.analysis.contradiction import contradiction
from whichcore.analysis.joined import Joined, Step, as_one_sweep, join
from whichcore.analysis.overlap_fit import Wound
from whichcore.analysis.two_windings import FoundWinding, Overlap, Turns, solve_overlap
from whichcore.cli.options import reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Block, Grid, Heading, Lines, page
from whichcore.errors import InputError
from whichcore.files import load_core_sweep, load_specimen, make_folder, write_sweep
from whichcore.files.specimen_write import write_joined_specimen
from whichcore.wording import fixed, in_percent, percent, quantity, with_uncertainty

FORMAT = "whichcore-join/1"
NOTED_SHIFT, NOTED_LEFT = 1.0, 0.8
NOTED_STEP = 2.0
CONFIRMED = 0.95


@click.command()
@click.option(
    "--many-specimen", required=True, metavar="FILE", help="Specimen file of the winding with many turns."
)
@click.option(
    "--many-sweep",
    required=True,
    metavar="FILE",
    help="Its sweep, low in frequency, taken with one winding or with two (wiring two-windings).",
)
@click.option(
    "--few-specimen", required=True, metavar="FILE", help="Specimen file of the same core with few turns."
)
@click.option(
    "--few-sweep", required=True, metavar="FILE", help="Its sweep, which begins below the end of the other."
)
@click.option(
    "--out",
    metavar="DIR",
    help="Write joined.csv and joined.toml into this folder, to be taken like one measurement. Nothing is "
    "overwritten.",
)
@reporting
@click.pass_obj
def command(
    session: Session,
    /,
    many_specimen: str,
    many_sweep: str,
    few_specimen: str,
    few_sweep: str,
    out: str | None,
) -> None:
    """Join the sweeps of two windings of one core: capacitance found, turns checked, one curve.

    Where both were swept they must show one permeability. The difference tells the capacitance of the
    windings and whether a turn was miscounted; sweeps that contradict each other are not joined.
    """
    many = Wound(load_core_sweep(many_sweep), load_specimen(many_specimen))
    few = Wound(load_core_sweep(few_sweep), load_specimen(few_specimen))
    overlap = solve_overlap(many, few)
    if (reason := contradiction(overlap, many, few)) is not None:
        session.beside_error = _report(overlap, None)
        raise reason
    for note in overlap.notes:
        session.warn(note)
    joined = join(overlap, many, few)
    if out is not None:
        for path in _write(Path(out), joined, many, few, few_specimen):
            session.note(f"written: {path}")
    session.deliver(lambda: _report(overlap, joined), lambda: page(_blocks(overlap, joined, many, few)))


def _write(folder: Path, joined: Joined, many: Wound, few: Wound, like: str) -> list[Path]:
    paths = [folder / "joined.csv", folder / "joined.toml"]
    for path in paths:
        if path.exists():
            raise InputError(
                "the file is there already and is not overwritten",
                where=str(path),
                next_step="choose another folder, or move the old file away",
            )
    make_folder(folder)
    turns = many.specimen.winding.turns
    sweep, _ = as_one_sweep(joined, few.specimen, turns)
    parts = " and ".join(
        f"{part.specimen.winding.turns} turns {part.sweep.wiring or 'of unknown wiring'}"
        for part in (many, few)
    )
    notes = {"joined": f"{parts}; referred to an ideal winding of {turns} turns"}
    write_sweep(paths[0], replace(sweep, notes=notes))
    write_joined_specimen(paths[1], like, turns)
    return paths


# ------------------------------------------------------------------------------------------------- JSON


def _report(overlap: Overlap, joined: Joined | None) -> dict[str, Any]:
    report: dict[str, Any] = {
        "format": FORMAT,
        "overlap": {
            "from_hz": float(overlap.frequency_hz[0]),
            "to_hz": float(overlap.frequency_hz[-1]),
            "points": int(overlap.frequency_hz.size),
            "chi_squared": overlap.chi_squared,
            "degrees_of_freedom": overlap.degrees_of_freedom,
            "p_value": overlap.p_value,
            "left_out_hz": overlap.left_out_hz.tolist(),
        },
        "windings": [_winding(found) for found in overlap.windings],
        "turns": [_turns(turns) for turns in overlap.turns[:5]],
        "other_probability": overlap.other_probability,
    }
    if joined is not None:
        report["steps"] = [_step(step) for step in joined.steps]
    return report


def _winding(found: FoundWinding) -> dict[str, Any]:
    return {
        "name": found.name,
        "capacitance_f": found.capacitance_f,
        "u_capacitance_f": found.u_capacitance_f,
        "expected_f": found.expected_f,
        "u_expected_f": found.u_expected_f,
        "turns_probability": found.turns_probability,
        "turns_by_overlap": found.turns_by_overlap,
        "residues": [{"id": r.id, "shift": r.shift, "left": r.left} for r in found.residues],
    }


def _turns(turns: Turns) -> dict[str, Any]:
    return {
        "many": list(turns.many),
        "few": list(turns.few),
        "probability": turns.probability,
        "by_overlap": turns.by_overlap,
    }


def _step(step: Step) -> Mapping[str, Any]:
    return {
        "frequency_hz": step.frequency_hz,
        "level": step.size.real,
        "loss_angle_rad": -step.size.imag,
        "u_level": step.u_size[0],
        "u_loss_angle_rad": step.u_size[1],
    }


# ------------------------------------------------------------------------------------------------- text


def _blocks(overlap: Overlap, joined: Joined, many: Wound, few: Wound) -> list[Block]:
    span = f"{quantity(overlap.frequency_hz[0], 'Hz')} to {quantity(overlap.frequency_hz[-1], 'Hz')}"
    name = few.specimen.name
    counts = [_said(part.counts) for part in (many, few)]
    rows = tuple(
        (
            found.name,
            count,
            f"{_picofarad(found.capacitance_f, found.u_capacitance_f)}",
            f"{_picofarad(found.expected_f, found.u_expected_f)}",
            percent(found.turns_probability),
            percent(found.turns_by_overlap),
        )
        for found, count in zip(overlap.windings, counts, strict=True)
    )
    return [
        Heading(f"{name}: {counts[0]} and {counts[1]} turns joined".lstrip(": ")),
        Lines((f"Overlap: {overlap.frequency_hz.size} points from {span}. {_agreement(overlap)}",)),
        Grid(
            ("winding", "turns", "C_w found", "C_w expected", "turns as stated", "by the overlap"),
            rows,
            frozenset({"turns"}),
        ),
        Lines(
            (
                _turns_line(overlap, many, few),
                *_residue_lines(overlap),
                *(_step_line(s) for s in joined.steps),
            )
        ),
    ]


def _picofarad(value: float, u: float) -> str:
    return f"{with_uncertainty(value * 1e12, u * 1e12)} pF"


def _agreement(overlap: Overlap) -> str:
    return (
        f"χ² {overlap.chi_squared:.1f} for {overlap.degrees_of_freedom}, larger in "
        f"{percent(overlap.p_value)} of cases: both windings show one core."
    )


def _turns_line(overlap: Overlap, many: Wound, few: Wound) -> str:
    if overlap.seen_probability >= CONFIRMED:
        return (
            f"Turns confirmed by the overlap ({percent(overlap.seen_probability)}), unless both are "
            "miscounted in the same ratio: that no overlap shows."
        )
    stated = (many.counts, few.counts)
    other = max((t for t in overlap.turns if (t.many, t.few) != stated), key=lambda t: t.by_overlap)
    counts = f"{_said(other.many)} and {_said(other.few)}"
    return (
        f"Turns not confirmed: the overlap alone gives {percent(overlap.seen_probability)} to the turns "
        f"stated, and {percent(other.by_overlap)} to {counts}. Count the passes through the hole again, or "
        "let the sweeps overlap over more points of less uncertainty."
    )


def _said(counts: tuple[int, ...]) -> str:
    return ":".join(f"{n}" for n in counts)


def _residue_lines(overlap: Overlap) -> list[str]:
    lines = []
    for found in overlap.windings:
        for residue in found.residues:
            if residue.id == "winding:capacitance":
                continue
            if abs(residue.shift) > NOTED_SHIFT or residue.left < NOTED_LEFT:
                what = residue.id.removeprefix("winding:").replace("-", " ")
                lines.append(
                    f"Residue of the winding with {found.name} turns: {what} off by "
                    f"{fixed(residue.shift, 1, signed=True)} of its own uncertainty, of which "
                    f"{in_percent(residue.left)} is left."
                )
    return lines


def _step_line(step: Step) -> str:
    level, angle = (fixed(part, 2, signed=True) for part in (100 * step.size.real, -1e3 * step.size.imag))
    size = f"level {level} %, loss angle {angle} mrad"
    warning = "" if step.largest < NOTED_STEP else "; more than its uncertainty explains"
    place = quantity(step.frequency_hz, "Hz")
    return f"Step at {place}: {size}, {step.largest:.1f} standard uncertainties{warning}."
