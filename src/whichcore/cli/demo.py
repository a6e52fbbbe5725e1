"""``whichcore demo``: an invented workshop and its bins of unmarked cores."""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterator, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from whichcore.analysis.advise import NOTEWORTHY
from whichcore.analysis.verdict import Verdict, VerdictKind
from whichcore.cli import interrupt
from whichcore.cli.demo_bench import BenchPart, bench_library, on_the_bench, opening
from whichcore.cli.options import dark_option, reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Block, Grid, Heading, Lines, page
from whichcore.errors import InputError, UsageError
from whichcore.files import make_folder
from whichcore.libraries import library_for
from whichcore.verdict_words import verdict_sentence
from whichcore.wording import percent, with_uncertainty
from whichcore.workflow import (
    DemoBin,
    Identification,
    demo_bins,
    demo_folder,
    demo_library,
    identify_files,
    write_pictures,
)

FORMAT = "whichcore-demo/1"
Outcome = tuple[DemoBin, Identification, list[Path]]


@click.command()
@click.option(
    "--out",
    metavar="DIR",
    default="whichcore-demo",
    show_default=True,
    help="Folder for the pictures; it is made, and nothing in an older one is overwritten.",
)
@click.option(
    "--bin",
    "chosen",
    metavar="ID",
    multiple=True,
    help="Only this recorded bin, such as a, and no bench. May be given again.",
)
@click.option(
    "--without-bench", is_flag=True, help="Leave the virtual bench out and take the recorded bins alone."
)
@dark_option
@reporting
@click.pass_obj
def command(session: Session, /, out: str, chosen: tuple[str, ...], without_bench: bool, dark: bool) -> None:
    """Take the bins of an invented workshop to names.

    First the virtual bench: its doctor, its calibration, sweeps of three cores over the protocol of real
    instruments, and their verdicts; it takes some half a minute. Then the bins whose sweeps are recorded.

    Two people rebuild e-bike chargers and keep every core they unsolder, unmarked, in bins. Cores whose grade
    they knew they have swept: these curves are their own library, used together with the shipped one. Each
    bin gets a verdict, a line on what the two learn from it, and pictures of impedance, permeability and
    candidates.
    """
    bins, folder = _choose(chosen), Path(out)
    _new_folder(folder)
    library = library_for([str(demo_library()), "shipped"])
    part = None if chosen or without_bench else _bench(folder, dark)
    outcomes: list[Outcome] = []
    for item in _with_progress(bins):
        case = identify_files(item.request, library)
        pictures = write_pictures(case, folder / f"bin-{item.id}", item.title, dark=dark)
        outcomes.append((item, case, pictures))
    _warn(session, [*(part.outcomes if part else ()), *outcomes])
    session.deliver(lambda: _report(folder, outcomes, part), lambda: _text(folder, outcomes, part))


def _bench(folder: Path, dark: bool) -> BenchPart:
    return on_the_bench(
        folder, library_for([str(demo_library()), str(bench_library()), "shipped"]), dark=dark
    )


def _choose(chosen: Sequence[str]) -> tuple[DemoBin, ...]:
    bins = demo_bins()
    known = [item.id for item in bins]
    for name in chosen:
        if name not in known:
            raise UsageError(
                "there is no such bin", where="whichcore demo --bin", got=name, allowed=", ".join(known)
            )
    return tuple(item for item in bins if not chosen or item.id in chosen)


def _new_folder(folder: Path) -> None:
    try:
        taken = folder.exists() and (not folder.is_dir() or any(folder.iterdir()))
    except OSError as error:
        raise InputError("the folder cannot be used", where=str(folder), got=str(error)) from error
    if taken:
        raise InputError(
            "this place is taken, and the demonstration overwrites nothing",
            where=str(folder),
            allowed="a new or an empty folder",
            next_step="name another one with --out, or move the old one away",
        )
    make_folder(folder)


def _with_progress(bins: Sequence[DemoBin]) -> Iterator[DemoBin]:
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=console, transient=True, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task("bins", total=len(bins))
        for item in bins:
            progress.update(task, description=item.title)
            interrupt.check()
            yield item
            progress.advance(task)


def _warn(session: Session, outcomes: Sequence[Outcome]) -> None:
    """Tell each warning once, with the bins that it concerns."""
    concerned: dict[str, list[str]] = {}
    for item, case, _ in outcomes:
        for text in case.verdict.warnings:
            concerned.setdefault(text, []).append(item.id)
    for text, ids in concerned.items():
        session.warn(f"bin{'s' * (len(ids) > 1)} {', '.join(ids)}: {text}")


def learned(verdict: Verdict) -> str:
    """Return what the workshop learns from a verdict, in a line."""
    if verdict.kind is VerdictKind.UNLISTED:
        return (
            "No reference explains this curve, so it gets no name. Keep the bin apart; once one of its cores "
            "is known, whichcore library add makes it a reference."
        )
    if verdict.kind is VerdictKind.UNDECIDED or verdict.material_class is None:
        return f"Not enough for a name yet. {verdict.next_measurement}"
    use = _uses()[verdict.material_class]
    if verdict.gapped_probability >= NOTEWORTHY:
        return (
            f"Likely cracked or gapped ({percent(verdict.gapped_probability)}), which takes inductance away: "
            f"sort this piece out and sweep its neighbours. {use}"
        )
    return use


def _uses() -> dict[str, str]:
    text = files("whichcore.cli").joinpath("class_uses.csv").read_text(encoding="utf-8")
    return {row["class"]: row["use"] for row in csv.DictReader(text.splitlines())}


def _entries(outcomes: Sequence[Outcome]) -> list[dict[str, Any]]:
    return [
        {
            "id": item.id,
            "title": item.title,
            "story": item.story,
            "verdict": case.verdict.to_dict(),
            "learned": learned(case.verdict),
            "pictures": [path.name for path in pictures],
        }
        for item, case, pictures in outcomes
    ]


def _report(folder: Path, outcomes: Sequence[Outcome], part: BenchPart | None) -> dict[str, Any]:
    bench = None
    if part is not None:
        bench = {
            "calibration": str(part.calibration),
            "points": part.points,
            "not_reachable": part.lost,
            "cores": _entries(part.outcomes),
            "library": str(bench_library()),
            "duration_s": part.duration_s,
        }
    return {
        "format": FORMAT,
        "folder": str(folder),
        "bench": bench,
        "bins": _entries(outcomes),
        "library": str(demo_library()),
        "answers": str(demo_folder() / "truth.toml"),
    }


def _text(folder: Path, outcomes: Sequence[Outcome], part: BenchPart | None) -> str:
    first: list[Block] = []
    if part is not None:
        first = [*opening(part), *_stories(part.outcomes), _grid(part.outcomes)]
        first.append(Heading("The shelf: bins whose sweeps are recorded"))
    return _shelf(folder, outcomes, first, () if part is None else part.outcomes)


def _stories(outcomes: Sequence[Outcome]) -> list[Block]:
    told: list[Block] = []
    for item, case, _ in outcomes:
        told += [
            Heading(item.title),
            Lines(
                (
                    item.story,
                    f"Verdict: {verdict_sentence(case.verdict, case.names)}",
                    f"Learned: {learned(case.verdict)}",
                )
            ),
        ]
    return told


def _shelf(
    folder: Path, outcomes: Sequence[Outcome], first: Sequence[Block], before: Sequence[Outcome]
) -> str:
    pictures = sum(len(written) for _, _, written in [*before, *outcomes])
    return page(
        [
            *first,
            *_stories(outcomes),
            _grid(outcomes),
            Lines(
                (
                    f"{pictures} pictures are in {folder}.",
                    f"Judged by {_references(outcomes)}.",
                    f"What the invented cores really are stands in {demo_folder() / 'truth.toml'}.",
                )
            ),
        ]
    )


def _references(outcomes: Sequence[Outcome]) -> str:
    """Say how many references there were, and where the workshop's own are."""
    total, own = len(outcomes[0][1].library.materials), len(list(demo_library().glob("*.toml")))
    return (
        f"{own} materials of the workshop's own library, {demo_folder() / 'library'}, and the {total - own} "
        "generic ones that come with the program"
    )


def _grid(outcomes: Sequence[Outcome]) -> Grid:
    rows = []
    for item, case, _ in outcomes:
        verdict, best = case.verdict, case.verdict.candidates[0]
        measured = verdict.initial_permeability
        rows.append(
            (
                item.id,
                verdict.kind.value,
                verdict.material_class or "-",
                percent(verdict.probability),
                f"{best.material}, {percent(best.probability)}",
                with_uncertainty(measured.value, measured.standard_uncertainty),
            )
        )
    heads = ("bin", "verdict", "class", "sure", "best single candidate", "measured μ′")
    return Grid(heads, tuple(rows), frozenset({"sure", "measured μ′"}))
