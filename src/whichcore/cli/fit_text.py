"""Fitted laws in words."""

from __future__ import annotations

import numpy as np

from whichcore.analysis.model_comparison import ModelComparison
from whichcore.analysis.model_fit import FittedParameter, ModelFit
from whichcore.cli.fit_report import Written
from whichcore.cli.material_report import span
from whichcore.cli.show import Block, Grid, Heading, Lines, page
from whichcore.wording import certainty, fixed, in_percent, listed, measured, percent, plain, quantity

#: Correlation from which on two parameters are said to move together.
_TOGETHER = 0.9
_BANDS_TOLD = 3


def fit_page(title: str, found: ModelComparison, written: Written | None) -> str:
    """Return everything found as a page: the verdict on the laws, then each law that counts."""
    blocks: list[Block] = [Heading(f"{title}: {_verdict(found)}"), _band(found)]
    if len(found.fits) > 1 or found.refused:
        blocks += [_laws(found), Lines(_law_notes(found))]
    for fit in found.alike:
        blocks += [Heading(f"{fit.law.name}: {fit.law.title}"), _parameters(fit), Lines(_fit_notes(fit))]
    if written is not None:
        blocks.append(Lines(_written(written, found)))
    return page(blocks)


def _verdict(found: ModelComparison) -> str:
    best = found.fits[0]
    if not found.describes:
        if len(found.fits) == 1:
            return f"{best.law.title} does not describe this core."
        return f"none of these {len(found.fits)} laws describes this core; {best.law.name} comes nearest."
    met = (
        "meets the data"
        if best.meets_data
        else f"follows the data with a deviation of {in_percent(best.deviation)}"
    )
    if len(found.fits) == 1:
        return f"{best.law.title} {met}."
    if len(found.alike) > 1:
        return f"{listed([fit.law.name for fit in found.alike], 'and')} cannot be told apart by these data."
    sure = certainty(found.probability[0])
    return f"{sure} {best.law.name}, {best.law.title}: {percent(found.probability[0])}. It {met}."


def _band(found: ModelComparison) -> Lines:
    low, high = found.fits[0].frequency_hz[[0, -1]]
    points = found.fits[0].frequency_hz.size
    return Lines((f"{points} points, {quantity(float(low), 'Hz')} to {quantity(float(high), 'Hz')}.",))


def _laws(found: ModelComparison) -> Grid:
    least_aic, least_bic = min(fit.aic for fit in found.fits), min(fit.bic for fit in found.fits)
    rows = tuple(
        (
            fit.law.name,
            percent(share) if found.describes else "-",
            str(len(fit.parameters)),
            plain(fit.reduced),
            _deviation(fit),
            f"{fit.aic - least_aic:.1f}",
            f"{fit.bic - least_bic:.1f}",
        )
        for fit, share in zip(found.fits, found.probability, strict=True)
    )
    heads = ("law", "probability", "parameters", "χ²/ν", "deviation", "ΔAIC", "ΔBIC")
    return Grid(heads, rows, frozenset(heads[1:]))


def _deviation(fit: ModelFit) -> str:
    if not fit.describes_data:
        return "too large"
    return "none" if fit.meets_data else in_percent(fit.deviation)


def _law_notes(found: ModelComparison) -> tuple[str, ...]:
    likely = (
        "among these laws, each as likely as the others before"
        if found.describes
        else "none is told, for no law describes these data, whichever of them comes nearest"
    )
    told = [
        f"probability: {likely}. χ²/ν: per degree of freedom, "
        "by the uncertainty of the measurement alone; about 1 where a law meets the data. deviation: smooth "
        "departure of the core from the law, one standard deviation."
    ]
    told += [f"{name} is left out: {why}." for name, why in found.refused.items()]
    return tuple(told)


def _parameters(fit: ModelFit) -> Grid:
    rows = tuple(_row(item) for item in (*fit.parameters, *fit.derived))
    return Grid(("symbol", "parameter", "value", "95 % interval", "remark"), rows)


def _row(item: FittedParameter) -> tuple[str, ...]:
    value = (
        f"about {_sized(item.value, item.unit)}"
        if item.standard_uncertainty is None
        else measured(item.value, item.standard_uncertainty, item.unit)
    )
    open_ended = (item.low is None) != (item.high is None)
    return (
        item.symbol,
        item.name.replace("_", " "),
        "-" if open_ended else value,
        interval_text(item),
        _remark(item),
    )


def interval_text(item: FittedParameter) -> str:
    """Return the interval in words; an open one names the end it has."""
    low, high = (None if end is None else _sized(end, item.unit) for end in (item.low, item.high))
    if low is None and high is None:
        return "none"
    if high is None:
        return f"above {low}"
    return f"below {high}" if low is None else f"{low} to {high}".replace("-", "−")


def _sized(value: float, unit: str) -> str:
    return quantity(value, unit, 4) if unit else plain(value, 4)


def _remark(item: FittedParameter) -> str:
    if item.also:
        others = listed([_sized(value, item.unit) for value in item.also])
        return f"{item.reason}: {others}"
    return item.reason


def _fit_notes(fit: ModelFit) -> tuple[str, ...]:
    told = [*_together(fit), *_size_note(fit)]
    if fit.meets_data:
        told.append(f"The law meets the data within their uncertainty: χ²/ν = {fit.reduced:.2f}.")
    elif fit.describes_data:
        told.append(
            f"The law misses the data{_missed(fit)}: χ²/ν = {plain(fit.reduced)}. A smooth "
            f"deviation of {in_percent(fit.deviation)} was admitted, and the uncertainties are wider by it."
        )
    else:
        told.append(f"The law misses the data{_missed(fit)}; its parameters say nothing of this core.")
    return tuple(told)


def _size_note(fit: ModelFit) -> tuple[str, ...]:
    """Say on what a thickness or a radius rests beside the data."""
    sizes = [item for item in fit.derived if item.unit == "m"]
    return tuple(
        f"The {item.name} holds for the resistivity given, if the whole core is of one kind with the "
        f"{fit.parameters[0].symbol} above; neither is in its uncertainty."
        for item in sizes
    )


def _missed(fit: ModelFit) -> str:
    """Say in which bands the residual is beyond three times the scatter, the widest first."""
    if not fit.missed:
        return " by a little everywhere"
    widest = sorted(fit.missed, key=lambda band: band[0] / band[1])[:_BANDS_TOLD]
    told = [_band_text(low, high) for low, high in sorted(widest)]
    more = f" and in {len(fit.missed) - len(told)} narrower bands" if len(fit.missed) > len(told) else ""
    return f" {listed(told, 'and')}{more}"


def _band_text(low: float, high: float) -> str:
    if low == high:
        return f"at {quantity(low, 'Hz')}"
    return f"from {quantity(low, 'Hz')} to {quantity(high, 'Hz')}"


def _together(fit: ModelFit) -> tuple[str, ...]:
    symbols = [item.symbol for item in fit.parameters]
    pairs = [
        f"{symbols[i]} and {symbols[j]} ({fixed(fit.correlation[i, j], 2)})"
        for i in range(len(symbols))
        for j in range(i)
        if np.isfinite(fit.correlation[i, j]) and abs(fit.correlation[i, j]) >= _TOGETHER
    ]
    return (f"Not known apart, with their correlation: {', '.join(pairs)}.",) if pairs else ()


def _written(written: Written, found: ModelComparison) -> tuple[str, ...]:
    material = written.material
    alike = len(found.alike) > 1
    return (
        f"{material.name} ({material.id}, {material.material_class.value}), derived by the law "
        f"{found.fits[0].law.name}: μi {plain(material.initial_permeability, 4)}, {span(material)}, "
        f"deviation {in_percent(material.curve_deviation)}.",
        *(("  other laws fit as well: the choice among them is not the data's",) * alike),
        *(f"  {note}" for note in written.notes),
        f"Written: {written.file}",
    )
