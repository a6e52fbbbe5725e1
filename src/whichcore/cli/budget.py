"""``whichcore budget``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np

from whichcore.analysis.budget import Budget, budget_at
from whichcore.analysis.comparison import Comparison, compare, shared_by_specimen
from whichcore.analysis.functional import FUNCTIONALS, Asked, RealCurve, real_curve
from whichcore.analysis.monte_carlo import FEWEST, MOST, DrawnInterval, monte_carlo
from whichcore.analysis.permeability import permeability, winding_seen
from whichcore.analysis.specimen import Specimen
from whichcore.analysis.types import FloatArray, ImpedanceSweep
from whichcore.analysis.uncertainty import frequency_index
from whichcore.belonging import names_differ
from whichcore.cli import interrupt
from whichcore.cli.at_bench import Bar
from whichcore.cli.budget_report import budget_report
from whichcore.cli.budget_text import budget_page
from whichcore.cli.options import dark_option, reporting
from whichcore.cli.session import Session
from whichcore.files import Dimension, load_core_sweep, load_specimen, make_folder, parse_prefixed


@dataclass(frozen=True, slots=True)
class Measured:
    """A specimen with its sweep, as read from two files."""

    specimen: Specimen
    sweep: ImpedanceSweep
    stem: str

    def curves(self, asked: Sequence[Asked]) -> tuple[RealCurve, ...]:
        """Return every real quantity asked for, over all frequencies."""
        wanted = [functional for word in asked for functional in FUNCTIONALS[word]]
        spectrum = None
        if any(functional.of_permeability for functional in wanted):
            spectrum = permeability(self.sweep, self.specimen)
        return tuple(
            real_curve(item, spectrum if item.of_permeability and spectrum is not None else self.sweep)
            for item in wanted
        )


@dataclass(frozen=True, slots=True)
class Answer:
    """Everything the command found.

    Attributes
    ----------
    first : Measured
    second : Measured or None
        What it is compared with.
    same_specimen : bool
        Both sweeps are of one specimen.
    budgets : tuple of Budget
    drawn : tuple of DrawnInterval
        One for each budget, or none.
    draws : int or None
    comparisons : tuple of Comparison
    """

    first: Measured
    second: Measured | None
    same_specimen: bool
    budgets: tuple[Budget, ...]
    drawn: tuple[DrawnInterval, ...]
    draws: int | None
    comparisons: tuple[Comparison, ...]


@click.command()
@click.option(
    "--specimen",
    required=True,
    metavar="FILE",
    help="Specimen file (TOML): dimensions of the core, its winding and what else is known of it.",
)
@click.option(
    "--sweep",
    required=True,
    metavar="FILE",
    help="Impedance over frequency: a sweep file (CSV), or a one-port Touchstone file (.s1p).",
)
@click.option(
    "--at",
    "frequencies",
    metavar="FREQUENCY",
    multiple=True,
    help="A measured frequency, such as 100k or 100kHz. May be given again. Without it: the lowest, the "
    "middle and the highest.",
)
@click.option(
    "--of",
    "words",
    type=click.Choice([item.value for item in Asked]),
    multiple=True,
    help="Quantities: permeability (μ′ and μ″), impedance (|Z| and phase), inductance (L and R in series), "
    "loss-tangent (tan δ of the core). May be given again. Without it: permeability.",
)
@click.option(
    "--against",
    nargs=2,
    metavar="SPECIMEN SWEEP",
    help="Files of a second core, or of the same one swept again: difference and ratio too, with the errors "
    "that both share cancelled.",
)
@click.option(
    "--monte-carlo",
    "draws",
    metavar="N",
    type=click.IntRange(FEWEST, MOST),
    help=f"Check each interval with N random draws of every error source, {FEWEST} to {MOST}; 200000 is "
    "plenty.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=1,
    show_default=True,
    metavar="N",
    help="Where the random draws start; equal seeds give equal draws.",
)
@click.option(
    "--figures",
    metavar="DIR",
    help="Write pictures into this folder (SVG and PNG): shares over frequency for each quantity, bars for "
    "each frequency. Pictures of the same names are replaced.",
)
@dark_option
@reporting
@click.pass_obj
def command(session: Session, /, figures: str | None, dark: bool, **asked: Any) -> None:
    """Show where the uncertainty of a measured quantity comes from, and what would shrink it.

    Each line is one independent cause of error; the squares of the lines add up to the square of the whole.
    """
    first = _read(session, asked["specimen"], asked["sweep"])
    second = _read(session, *asked["against"]) if asked["against"] else None
    wanted = [_hertz(text) for text in asked["frequencies"]] or _three(first.sweep.frequency_hz)
    words = [Asked(word) for word in dict.fromkeys(asked["words"])] or [Asked.PERMEABILITY]
    answer = _answer(first, second, wanted, words, asked)
    if any(functional.of_permeability for word in words for functional in FUNCTIONALS[word]):
        for item in filter(None, (first, second)):
            _warn_of_winding(session, item)
    if not all(budget.lines for budget in answer.budgets):
        session.warn(
            "neither scatter nor any error source is stated: an uncertainty of zero means that none is known"
        )
    if figures is not None:
        _draw(session, answer, first.curves(words), Path(figures), dark)
    session.deliver(lambda: budget_report(answer), lambda: budget_page(answer))


def _read(session: Session, specimen_file: str, sweep_file: str) -> Measured:
    specimen, sweep = load_specimen(specimen_file), load_core_sweep(sweep_file)
    path = Path(specimen_file)
    names = names_differ(sweep, specimen, path)
    if names is not None:
        session.warn(
            f"{sweep_file} says it is of {names[0]}, and not of {path.name}: check that they belong together"
        )
    if sweep.scatter_estimated:
        session.warn(f"{sweep_file}: the line of the scatter is an estimate, at least 0.3 % of |Z|")
    return Measured(specimen, sweep, path.stem)


def _warn_of_winding(session: Session, item: Measured) -> None:
    for note in winding_seen(item.sweep, item.specimen).notes:
        session.warn(f"{item.stem}: {note}")


def _hertz(text: str) -> float:
    return parse_prefixed(text, Dimension.FREQUENCY, where="--at")


def _three(frequency_hz: FloatArray) -> list[float]:
    """Return the lowest, the middle and the highest frequency, as many of them as there are."""
    places = sorted({0, frequency_hz.size // 2, frequency_hz.size - 1})
    return [float(frequency_hz[place]) for place in places]


def _answer(
    first: Measured,
    second: Measured | None,
    wanted_hz: Sequence[float],
    words: Sequence[Asked],
    asked: dict[str, Any],
) -> Answer:
    for hertz in wanted_hz:
        frequency_index(first.sweep.frequency_hz, hertz)
    curves = first.curves(words)
    budgets = tuple(budget_at(curve, hertz) for curve in curves for hertz in wanted_hz)
    drawn: tuple[DrawnInterval, ...] = ()
    if asked["draws"] is not None:
        drawn = tuple(_drawn(first, curves, wanted_hz, asked["draws"], asked["seed"]))
    same = second is not None and first.specimen == second.specimen
    comparisons: tuple[Comparison, ...] = ()
    if second is not None:
        pairs = [(curves, first), (second.curves(words), second)]
        if same:
            pairs = [(_specimen_shared(some, measured), measured) for some, measured in pairs]
        comparisons = tuple(
            compare(a, b, hertz) for a, b in zip(pairs[0][0], pairs[1][0], strict=True) for hertz in wanted_hz
        )
    return Answer(first, second, same, budgets, drawn, asked["draws"], comparisons)


def _specimen_shared(curves: Sequence[RealCurve], measured: Measured) -> tuple[RealCurve, ...]:
    own = {source.id for source in measured.sweep.sources}
    return tuple(shared_by_specimen(curve, own) for curve in curves)


def _drawn(
    first: Measured, curves: Sequence[RealCurve], wanted_hz: Sequence[float], draws: int, seed: int
) -> Iterator[DrawnInterval]:
    """Draw once for each frequency; the order is that of the budgets."""
    functionals = [curve.functional for curve in curves]
    found = []
    with Bar() as bar:
        for count, hertz in enumerate(wanted_hz):
            interrupt.check()
            bar.show("draws", count / len(wanted_hz))
            found.append(monte_carlo(first.sweep, first.specimen, functionals, hertz, draws, seed))
    yield from (row[k] for k in range(len(functionals)) for row in found)


def _draw(session: Session, answer: Answer, curves: Sequence[RealCurve], folder: Path, dark: bool) -> None:
    from whichcore import figures  # noqa: PLC0415 - matplotlib is loaded only when a picture is wanted

    make_folder(folder)
    stem = answer.first.stem
    drawn = {
        f"{stem}-budget-{curve.functional.id}": figures.shares_figure(curve, stem, dark=dark)
        for curve in curves
        if np.any(curve.variance)
    }
    for budget in answer.budgets:
        if budget.lines:
            name = f"{stem}-budget-{budget.functional.id}-{budget.frequency_hz:.0f}Hz"
            drawn[name] = figures.bars_figure(budget, stem, dark=dark)
    for name, figure in drawn.items():
        for path in figures.save(figure, folder / name):
            session.note(f"written: {path}")
