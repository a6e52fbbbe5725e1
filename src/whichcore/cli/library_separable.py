"""``whichcore library separable``."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import click
import numpy as np

from whichcore.analysis.forecast import USUAL_NOISE, BenchForecast, Forecast, StatedNoise
from whichcore.analysis.materials import Material
from whichcore.analysis.separability import SEPARABLE_CHI2
from whichcore.analysis.separable import Separation, separation_of
from whichcore.analysis.separating import Remedy, remedies_of
from whichcore.analysis.specimen import Ring, Specimen, Winding
from whichcore.analysis.types import FloatArray
from whichcore.bench import load_bench
from whichcore.bench.load import VARIABLE, find_bench
from whichcore.cli import interrupt
from whichcore.cli.at_bench import Bar, band_options, hertz
from whichcore.cli.options import library_option, reporting
from whichcore.cli.session import Session
from whichcore.cli.show import Grid, Heading, Lines, page
from whichcore.errors import InputError, LibraryError
from whichcore.files import load_specimen
from whichcore.libraries import library_for
from whichcore.measure.bench_accuracy import bench_accuracy
from whichcore.measure.plan_bench import plan_bench
from whichcore.wording import count_of, listed, percent, plain, quantity

FORMAT = "whichcore-separable/1"
#: Pairs are reported from this probability of a mistake on.
REPORTED = 0.01
#: A ring of middle size, for which the question is answered where no specimen is named.
MIDDLE_RING = Specimen(
    Ring(25e-3, 15e-3, 10e-3),
    Winding(10, wire_diameter_m=0.4e-3),
    {"outer_diameter_m": 0.05e-3, "inner_diameter_m": 0.05e-3, "height_m": 0.05e-3},
    name="ring 25 x 15 x 10 mm, 10 turns",
)


@click.command()
@click.option(
    "--specimen", metavar="FILE", help="Specimen file (TOML). [default: a ring 25/15/10 mm, 10 turns]"
)
@click.option(
    "--bench",
    metavar="FILE",
    help="Bench file (TOML), or the word virtual. Without it: WHICHCORE_BENCH, ./bench.toml, your own; where "
    "there is none, noise of 1 % of |Z|.",
)
@click.option(
    "--calibration",
    "calibrations",
    metavar="FILE",
    multiple=True,
    help="Calibration to take the accuracy from, one for each wiring; may be given again. Without it the "
    "newest of this bench in your data folder, and where there is none what the bench file states.",
)
@band_options(defaults=True)
@library_option
@reporting
@click.pass_obj
def command(session: Session, /, libraries: tuple[str, ...], **asked: Any) -> None:
    """Say which materials this bench could not tell apart on this specimen, before anything is measured.

    Each material in turn is taken for the truth and the others are compared with it as identification would:
    level, corner and deviation of a core left open as far as the references say. Two materials are not
    separable where the wrong one would win more than 16 times in 100; a group holds materials of which no
    two are separable. Nothing is connected or switched on.
    """
    library = library_for(libraries)
    if not library.materials:
        raise LibraryError(
            "the library holds no material to tell apart",
            where=", ".join(libraries) or "library",
            next_step="add one with: whichcore library add",
        )
    setting = _setting(session, asked)
    with Bar() as bar:
        turns = _shown(bar, len(library.materials))
        found = separation_of(library, setting.frequency_hz, setting.forecast, turns)
        bar.show("looking for what would tell them apart", 1.0)
        remedies = remedies_of(found, setting.frequency_hz, setting.forecast)
    session.deliver(
        lambda: _report(found, remedies, setting), lambda: page(_blocks(found, remedies, setting))
    )


def _shown(bar: Bar, count: int) -> Iterator[int]:
    for turn in range(count):
        bar.show("comparing", turn / count)
        interrupt.check()
        yield turn


@dataclass(frozen=True, slots=True)
class _Setting:
    """What is measured with, and how it is called."""

    forecast: Forecast
    frequency_hz: FloatArray
    bench: str


def _setting(session: Session, asked: dict[str, Any]) -> _Setting:
    specimen = MIDDLE_RING if asked["specimen"] is None else load_specimen(asked["specimen"])
    low, high = hertz(asked["from_text"], "--from"), hertz(asked["to_text"], "--to")
    if low is None or high is None or not 0 < low < high:
        raise InputError(
            "a band rises",
            where="--from, --to",
            got=f"{low:g} to {high:g} Hz",
            allowed="above zero, the lower end first",
        )
    count = max(3, round(asked["points_per_decade"] * np.log10(high / low)) + 1)
    frequency = np.geomspace(low, high, count)
    if not _has_bench(asked):
        session.warn("no bench is known: noise of 1 % of |Z| is taken for it; name one with --bench")
        told = f"noise of {100 * USUAL_NOISE:g} % of |Z|"
        return _Setting(StatedNoise(specimen), frequency, told)
    settings = load_bench(asked["bench"])
    known = plan_bench(settings)
    forecast = BenchForecast(specimen, known, bench_accuracy(settings, known, asked["calibrations"]))
    reached = forecast.frequencies(frequency)
    if reached.size < 3:
        raise InputError(
            "the bench is not known at these frequencies",
            where="--from, --to",
            got=f"{low:g} to {high:g} Hz",
            allowed="three frequencies or more of its calibration, or of its source",
        )
    name = "the virtual bench" if settings.virtual else str(settings.path)
    return _Setting(forecast, reached, name)


def _has_bench(asked: dict[str, Any]) -> bool:
    if asked["bench"] is not None or asked["calibrations"] or os.environ.get(VARIABLE):
        return True
    try:
        find_bench(None)
    except InputError:
        return False
    return True


# ---------------------------------------------------------------------------------------------------- report


def _report(found: Separation, remedies: Sequence[Remedy], setting: _Setting) -> dict[str, Any]:
    ids = [material.id for material in found.materials]
    first, second = np.triu_indices(len(ids), 1)
    wrong = found.confusion[first, second]
    order = np.argsort(-wrong, kind="stable")
    return {
        "format": FORMAT,
        "specimen": setting.forecast.specimen.name,
        "bench": setting.bench,
        "from_hz": float(setting.frequency_hz[0]),
        "to_hz": float(setting.frequency_hz[-1]),
        "groups": [
            {
                "name": group_name([found.materials[i] for i in remedy.group]),
                "materials": [ids[i] for i in remedy.group],
                "beside": [ids[i] for i in found.beside(remedy.group)],
                "separated_by": list(remedy.told),
            }
            for remedy in remedies
        ],
        "alone": [ids[group[0]] for group in found.groups() if len(group) == 1],
        "not_comparable": [ids[i] for i in np.flatnonzero(found.points == 0)],
        "pairs": [
            {"first": ids[first[k]], "second": ids[second[k]], "mistaken": float(wrong[k])}
            for k in order
            if wrong[k] >= REPORTED
        ],
    }


def _blocks(found: Separation, remedies: Sequence[Remedy], setting: _Setting) -> list[Heading | Grid | Lines]:
    low, high = setting.frequency_hz[0], setting.frequency_hz[-1]
    silent = int((found.points == 0).sum())
    alone = sum(len(group) == 1 for group in found.groups()) - silent
    blocks: list[Heading | Grid | Lines] = [
        Heading(
            f"{setting.forecast.specimen.name or 'the specimen'}, {quantity(low, 'Hz')} to "
            f"{quantity(high, 'Hz')}, {setting.bench}: what could be told apart"
        ),
    ]
    if remedies:
        rows = tuple(_row(found, remedy) for remedy in remedies)
        blocks.append(Grid(("group", "members", "mistaken", "told apart by"), rows))
    close = _close_pairs(found)
    lines = [
        f"{alone} of {count_of(len(found.materials), 'material')} {'stands' if alone == 1 else 'stand'} alone"
        f"{_grouped([len(remedy.group) for remedy in remedies])}.",
        "mistaken: how often the wrong one of the closest two would win, were only these two possible.",
    ]
    if close:
        lines.append(f"Not separable either, across groups: {listed(close, 'and')}.")
    if silent:
        whose = "its curve does" if silent == 1 else "their curves do"
        lines.append(f"{silent} could not be compared: {whose} not reach into the band.")
    apart = int(np.isnan(found.confusion[np.ix_(found.points > 0, found.points > 0)]).sum() // 2)
    if apart:
        pairs = count_of(apart, "pair")
        lines.append(f"{pairs} could not be compared: their curves share no part of the band.")
    return [*blocks, Lines(tuple(lines))]


def _grouped(sizes: Sequence[int]) -> str:
    """Say how many groups hold the others."""
    if not sizes:
        return ""
    return f", {count_of(len(sizes), 'group')} {'holds' if len(sizes) == 1 else 'hold'} {sum(sizes)}"


def _row(found: Separation, remedy: Remedy) -> tuple[str, ...]:
    members = [found.materials[i] for i in remedy.group]
    inside = found.confusion[np.ix_(remedy.group, remedy.group)][np.triu_indices(len(members), 1)]
    return (
        group_name(members),
        ", ".join(material.id for material in members),
        percent(float(inside.max())),
        "; ".join(remedy.told) or "nothing: cores of these grades overlap",
    )


def group_name(members: Sequence[Material]) -> str:
    """Return classes and permeabilities, such as ``MnZn 2000 to 2300``."""
    classes = dict.fromkeys(material.material_class.value for material in members)
    low, high = (f(material.initial_permeability for material in members) for f in (min, max))
    ends = dict.fromkeys(map(plain, (low, high)))
    span = " to ".join(ends)
    return f"{listed(list(classes), 'and')} {span}"


def _close_pairs(found: Separation, most: int = 8) -> list[str]:
    """Return the most alike pairs of different groups that are not separable."""
    label = np.empty(len(found.materials), dtype=int)
    for k, group in enumerate(found.groups()):
        label[list(group)] = k
    close = (found.squared_distance < SEPARABLE_CHI2) & (label != label[:, None])
    pairs = [
        (float(found.confusion[i, j]), f"{found.materials[i].id} with {found.materials[j].id}")
        for i, j in np.argwhere(np.triu(close, 1))
    ]
    pairs.sort(key=lambda pair: -pair[0])
    told = [text for _, text in pairs[:most]]
    return [*told, f"{len(pairs) - most} more pairs (--json)"] if len(pairs) > most else told
